"""A recorded series of air: from a CSV, or from a typical-year weather file.

The CSV has a header. Needed: ``at`` (ISO 8601 with zone, or seconds since 1970), ``air_c`` (°C),
``rh_pct`` (%). Welcome: ``surface_c`` (°C), ``pressure_pa`` (Pa). Other columns are passed over.
Columns are parted by comma, semicolon or tab; where not by comma, a decimal comma is understood.
"""

from __future__ import annotations

import csv
import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

from sensors.weather import NOMINAL_YEAR, WeatherError, is_weather, read_weather

__all__ = ["Row", "SeriesError", "filled", "load_series", "shifted"]

NEEDED = ("at", "air_c", "rh_pct")
WELCOME = ("surface_c", "pressure_pa")


class SeriesError(ValueError):
    """A series cannot be read; says file, line and column."""


@dataclass(frozen=True)
class Row:
    """One recorded reading; the dew point where the record has one of its own, to compare with.

    ``line`` is where a CSV has it, for whoever must say what is wrong with it.
    """

    at: datetime
    air_c: float
    rh_pct: float
    surface_c: float | None = None
    pressure_pa: float | None = None
    dew_point_c: float | None = None
    line: int | None = field(default=None, compare=False)


def load_series(source: str | Path, year: int = NOMINAL_YEAR) -> list[Row]:
    """Read a CSV, a TMY2 or TMY3 file, or ``pvlib:NAME``; rows come in order of time.

    ``year`` is the nominal year that a weather file's hours are laid into.

    Raises
    ------
    SeriesError
        Naming file, line and column.
    """
    if is_weather(source):
        try:
            hours = read_weather(source, year).hours
        except WeatherError as error:
            raise SeriesError(str(error)) from error
        return [
            Row(h.at, h.air_c, h.rh_pct, pressure_pa=h.pressure_pa, dew_point_c=h.dew_point_c)
            for h in hours
        ]
    path = Path(source)
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise SeriesError(f"{source}: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise SeriesError(f"{source}: is not text in UTF-8 ({error.reason})") from error
    rows = sorted(_rows(path.name, text.splitlines()), key=lambda row: row.at)
    if not rows:
        raise SeriesError(f"{path.name}: there are no rows below the header")
    return rows


def shifted(rows: Sequence[Row], first_at: datetime) -> list[Row]:
    """Return the rows moved in time so that the first one is at ``first_at``."""
    by = first_at - rows[0].at
    return [_moved(row, row.at + by) for row in rows]


def filled(rows: Sequence[Row], every_s: float) -> list[Row]:
    """Return the rows with others drawn straight between them, no two further apart than told.

    Air and humidity between the rows of a coarse record are reckoned, not measured.
    """
    if not every_s > 0:
        raise SeriesError(f"every: {every_s:g} s is not above 0")
    out: list[Row] = []
    for low, high in itertools.pairwise(rows):
        gap_s = (high.at - low.at).total_seconds()
        pieces = max(1, math.ceil(gap_s / every_s))
        out.append(low)
        out += [_between(low, high, piece / pieces) for piece in range(1, pieces)]
    return [*out, rows[-1]]


def _moved(row: Row, at: datetime) -> Row:
    return Row(at, row.air_c, row.rh_pct, row.surface_c, row.pressure_pa, row.dew_point_c)


def _between(low: Row, high: Row, part: float) -> Row:
    def mix(one: float | None, other: float | None) -> float | None:
        return None if one is None or other is None else one + part * (other - one)

    return Row(
        at=low.at + part * (high.at - low.at),
        air_c=low.air_c + part * (high.air_c - low.air_c),
        rh_pct=low.rh_pct + part * (high.rh_pct - low.rh_pct),
        surface_c=mix(low.surface_c, high.surface_c),
        pressure_pa=mix(low.pressure_pa, high.pressure_pa),
    )


def _rows(name: str, lines: Sequence[str]) -> Iterator[Row]:
    header_line = lines[0] if lines else ""
    parted_by = next((mark for mark in (";", "\t") if mark in header_line), ",")
    titles = next(csv.reader([header_line], delimiter=parted_by), [])
    header = [title.strip().lower() for title in titles]
    missing = [column for column in NEEDED if column not in header]
    if missing:
        raise SeriesError(
            f"{name}, line 1: no column {missing[0]}; needed are {', '.join(NEEDED)}, "
            f"welcome {', '.join(WELCOME)}"
        )
    reader = csv.reader(lines[1:], delimiter=parted_by)
    for cells in reader:
        line = reader.line_num + 1
        if not any(cell.strip() for cell in cells):
            continue
        given = {column: cell.strip() for column, cell in zip(header, cells, strict=False)}
        where = f"{name}, line {line}"
        decimal_comma = parted_by != ","
        number = {
            column: _number(where, column, given.get(column, ""), decimal_comma=decimal_comma)
            for column in (*NEEDED[1:], *WELCOME)
        }
        air_c, rh_pct = number["air_c"], number["rh_pct"]
        if air_c is None or rh_pct is None:
            column = "air_c" if air_c is None else "rh_pct"
            raise SeriesError(f"{where}: {column} is empty")
        at = _instant(where, given.get("at", ""))
        yield Row(at, air_c, rh_pct, number["surface_c"], number["pressure_pa"], line=line)


def _number(where: str, column: str, text: str, *, decimal_comma: bool) -> float | None:
    if not text:
        return None
    try:
        value = float(text.replace(",", ".") if decimal_comma else text)
    except ValueError as error:
        raise SeriesError(f"{where}: {column}: {text!r} is no number") from error
    if not math.isfinite(value):
        raise SeriesError(f"{where}: {column}: {text!r} is not a finite number")
    return value


def _instant(where: str, text: str) -> datetime:
    try:
        return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=float(text))
    except (ValueError, OverflowError):
        pass  # not seconds since 1970, so it should be a date
    try:
        instant = datetime.fromisoformat(text)
    except ValueError as error:
        raise SeriesError(
            f"{where}: at: {text!r} is neither an ISO 8601 date nor seconds since 1970"
        ) from error
    if instant.tzinfo is None:
        raise SeriesError(f"{where}: at: {text!r} has no time zone; add Z or an offset")
    return instant.astimezone(UTC)
