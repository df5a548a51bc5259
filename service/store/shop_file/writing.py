"""A whole shop, written as a file while it runs: one instant, row by row, in bounded memory."""

from __future__ import annotations

import hashlib
import json
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path
from typing import IO, Any, Self

from sqlalchemy import Connection, Table, select
from sqlmodel import SQLModel

from service.store import signin_tables, tables  # noqa: F401 -- fills the metadata
from service.store.db import Database
from service.store.photo_book import FOLDER as PHOTOS
from service.store.shop_file import secret
from service.store.shop_file.form import (
    FORMAT,
    KIND,
    MANIFEST,
    ShopFileError,
    as_line,
    field_of,
    member_of_table,
    plainly,
)

__all__ = ["file_name", "written"]

ROWS = 2000
"""Rows that are read, written and handed on at once."""

CHUNK = 1 << 18
YAML_FOLDERS = ("materials", "schedules", "flaws")


def file_name(at: datetime) -> str:
    """Return what the file is called when nobody says otherwise."""
    return f"boothglass-shop-{at.astimezone(UTC):%Y%m%dT%H%M%SZ}.zip"


def written(db: Database, data: Path, at: datetime, *, secrets: bool = False) -> Iterator[bytes]:
    """Yield the bytes of a shop file, piece by piece.

    Parameters
    ----------
    db, data : Database, Path
        The shop's database, which is read as it is at one instant, and its data folder.
    at : datetime
        When this is.
    secrets : bool
        Whether passwords, keys and tokens are written too.

    Raises
    ------
    ShopFileError
        Where a value cannot be written. What was yielded until then is no whole file.
    """
    sink = _Sink()
    book = _Book(at, secrets)
    schema = db.schema()
    # Anything will do that takes bytes, whatever its declared type says.
    packing = zipfile.ZipFile(sink, "w", zipfile.ZIP_DEFLATED)  # type: ignore[call-overload]
    with db.read() as session, packing as packed:
        connection = session.connection()
        for table in SQLModel.metadata.sorted_tables:
            if not secrets and secret.left_out(table):
                continue
            with _member(packed, member_of_table(table.name), book) as out:
                for lines in _lines(connection, table, book):
                    out.write(lines)
                    yield from sink.taken()
        for name, path in [*_photos(connection, data), *_yaml(data)]:
            with path.open("rb") as source, _member(packed, name, book) as out:
                while chunk := source.read(CHUNK):
                    out.write(chunk)
                    yield from sink.taken()
        with packed.open(_info(MANIFEST, at), "w") as manifest:
            manifest.write(json.dumps(book.as_data(schema), indent=1).encode())
    yield from sink.taken()


class _Sink:
    """Where the ZIP is written: kept until it is taken."""

    def __init__(self) -> None:
        self._pieces: list[bytes] = []

    def write(self, data: bytes, /) -> int:
        self._pieces.append(bytes(data))
        return len(data)

    def flush(self) -> None:
        """Nothing waits here."""

    def taken(self) -> Iterator[bytes]:
        pieces, self._pieces = self._pieces, []
        if pieces:
            yield b"".join(pieces)


@dataclass
class _Book:
    """What the manifest will say."""

    at: datetime
    secrets: bool
    tables: list[dict[str, Any]] = field(default_factory=list)
    members: list[dict[str, Any]] = field(default_factory=list)

    def as_data(self, schema: str | None) -> dict[str, Any]:
        return {
            "kind": KIND,
            "format": FORMAT,
            "program": _version(),
            "schema": schema,
            "made_at": self.at.astimezone(UTC).isoformat(),
            "secrets": self.secrets,
            "tables": self.tables,
            "files": self.members,
        }


class _Member:
    """A member of the ZIP that is being written, counted and digested."""

    def __init__(self, out: IO[bytes], name: str, book: _Book) -> None:
        self._out, self._name, self._book = out, name, book
        self._digest, self._size = hashlib.sha256(), 0

    def __enter__(self) -> Self:
        return self

    def write(self, data: bytes) -> None:
        self._out.write(data)
        self._digest.update(data)
        self._size += len(data)

    def __exit__(self, *_error: object) -> None:
        self._out.close()
        self._book.members.append(
            {"name": self._name, "bytes": self._size, "sha256": self._digest.hexdigest()}
        )


def _member(packed: zipfile.ZipFile, name: str, book: _Book) -> _Member:
    return _Member(packed.open(_info(name, book.at), "w", force_zip64=True), name, book)


def _info(name: str, at: datetime) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(name, at.astimezone(UTC).timetuple()[:6])
    info.compress_type = zipfile.ZIP_STORED if name.endswith(".jpg") else zipfile.ZIP_DEFLATED
    info.external_attr = 0o600 << 16
    return info


def _lines(connection: Connection, table: Table, book: _Book) -> Iterator[bytes]:
    fields = [field_of(column) for column in table.columns]
    names = [field.name for field in fields]
    writers = [(n, w) for n, f in enumerate(fields) if (w := f.writer()) is not None]
    hide = None if book.secrets else secret.without(table.name)
    count = 0
    asked = connection.execution_options(yield_per=ROWS).execute(
        plainly(table, connection.dialect.name)
    )
    for rows in asked.partitions(ROWS):
        lines = []
        for row in rows:
            values = list(row)
            for n, write in writers:
                values[n] = write(values[n])
            told: dict[str, Any] | None = dict(zip(names, values, strict=True))
            if hide is not None and told is not None:
                told = hide(told)
            if told is not None:
                lines.append(_line(table, told))
        count += len(lines)
        yield b"".join(lines)
    told_fields = [field.as_data() for field in fields]
    book.tables.append({"name": table.name, "rows": count, "columns": told_fields})


def _line(table: Table, row: dict[str, Any]) -> bytes:
    try:
        return as_line(row)
    except (ValueError, TypeError) as error:
        key = {column.name: row[column.name] for column in table.primary_key}
        raise ShopFileError(f"the row {key} of {table.name} cannot be written: {error}") from error


def _photos(connection: Connection, data: Path) -> Iterator[tuple[str, Path]]:
    """Files of all photos that a row names; one that is gone from the folder is left out."""
    column = SQLModel.metadata.tables["flawphoto"].c.digest
    for digest in sorted(connection.execute(select(column).distinct()).scalars()):
        for end in ("", "-small"):
            name = f"{PHOTOS}/{digest[:2]}/{digest}{end}.jpg"
            if (data / name).is_file():
                yield name, data / name


def _yaml(data: Path) -> Iterator[tuple[str, Path]]:
    for folder in YAML_FOLDERS:
        for path in sorted((data / folder).glob("*.yaml")):
            if path.is_file():
                yield f"{folder}/{path.name}", path


def _version() -> str:
    try:
        return metadata.version("boothglass")
    except metadata.PackageNotFoundError:  # run from the source tree, not installed
        return "0"
