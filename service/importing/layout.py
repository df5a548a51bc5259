"""How a CSV is laid out: encoding, delimiter, decimal mark, and the line of its header."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from service.importing.columns import recognised

__all__ = ["ImportProblem", "Layout", "find_layout", "rows_of"]

SAMPLE_BYTES = 128_000
HEADER_WITHIN = 60
"""Lines that a logger may write about itself above the header."""

DELIMITERS = (";", "\t", ",", "|")
_COMMA = re.compile(r"[+-]?(\d{1,3}(\.\d{3})+|\d+),\d+")
_POINT = re.compile(r"[+-]?\d*\.\d+")


class ImportProblem(ValueError):  # noqa: N818 -- reads as what it is
    """A file cannot be imported as it was told; ``field`` names the option or column."""

    def __init__(self, field: str, reason: str) -> None:
        super().__init__(f"{field}: {reason}")
        self.field, self.reason = field, reason


@dataclass(frozen=True)
class Layout:
    """What was found out of a file; ``header_line`` counts from 1, ``sample`` are rows below it.

    The sample's rows come from the beginning and the end of the file.
    """

    encoding: str
    delimiter: str
    decimal_comma: bool
    header_line: int
    titles: tuple[str, ...]
    sample: tuple[tuple[str, ...], ...]


def find_layout(path: Path, wanted: Sequence[str] = ()) -> Layout:
    """Find out how a file is laid out.

    Parameters
    ----------
    path : Path
        The file.
    wanted : sequence of str
        Titles that a person named; the header is the line that has them all.

    Raises
    ------
    ImportProblem
        Where it cannot be read, or no header is found.
    """
    try:
        with path.open("rb") as file:
            head = file.read(SAMPLE_BYTES)
            size = file.seek(0, io.SEEK_END)
            file.seek(max(len(head), size - SAMPLE_BYTES))
            tail = file.read()
    except OSError as error:
        raise ImportProblem("file", f"{path}: {error.strerror}") from error
    encoding = _encoding(head)
    lines = head.decode(encoding, "replace").splitlines()
    if len(head) == SAMPLE_BYTES:
        lines = lines[:-1]  # cut off in its middle
    last_lines = tail.decode(encoding.removesuffix("-sig"), "replace").splitlines()[1:]
    found = [
        (score, -number, delimiter, number, titles)
        for delimiter in DELIMITERS
        for number, titles in enumerate(_cells(lines[:HEADER_WITHIN], delimiter), start=1)
        if (score := _score(titles, wanted)) > 0
    ]
    if not found:
        raise ImportProblem(
            "file",
            f"{path.name}: none of the first {HEADER_WITHIN} lines names a time, a temperature and "
            "a humidity; name the columns with --time and --map",
        )
    _, _, delimiter, number, titles = max(found)
    body = lines[number:]
    sample = [row for row in _cells([*body[:300], *last_lines[-300:]], delimiter) if any(row)]
    return Layout(
        encoding,
        delimiter,
        _decimal_comma(sample),
        number,
        tuple(title.strip() for title in titles),
        tuple(tuple(row) for row in sample),
    )


def rows_of(path: Path, layout: Layout) -> Iterator[tuple[int, list[str]]]:
    """Yield the rows below the header with their line; blank ones are passed over."""
    with path.open(encoding=layout.encoding, errors="backslashreplace", newline="") as file:
        # A logger that lost its power may leave zero bytes; the reader will not have them.
        reader = csv.reader((line.replace("\0", "") for line in file), delimiter=layout.delimiter)
        while True:
            try:
                row = next(reader)
            except StopIteration:
                return
            except csv.Error as error:
                raise ImportProblem("file", f"line {reader.line_num}: {error}") from error
            if reader.line_num > layout.header_line and any(cell.strip() for cell in row):
                yield reader.line_num, row


def _encoding(head: bytes) -> str:
    if head.startswith(b"\xef\xbb\xbf"):
        return "utf-8-sig"
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16"
    try:
        # The sample may end in the middle of a character.
        head[:-4].decode("utf-8") if len(head) == SAMPLE_BYTES else head.decode("utf-8")
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8"


def _cells(lines: Sequence[str], delimiter: str) -> list[list[str]]:
    try:
        return list(csv.reader((line.replace("\0", "") for line in lines), delimiter=delimiter))
    except csv.Error:
        return []


def _score(titles: Sequence[str], wanted: Sequence[str]) -> int:
    """How much like the header a line looks; 0: not at all."""
    trimmed = [title.strip() for title in titles]
    if wanted and not all(title in trimmed for title in wanted):
        return 0
    found = recognised(trimmed)
    enough = {"time", "air_c", "rh_pct"} <= found if not wanted else len(trimmed) > 1
    return 1 + len(found) if enough else 0


def _decimal_comma(sample: Sequence[Sequence[str]]) -> bool:
    cells = [cell.strip() for row in sample for cell in row]
    commas = sum(bool(_COMMA.fullmatch(cell)) for cell in cells)
    return commas > sum(bool(_POINT.fullmatch(cell)) for cell in cells)
