"""Outdoor air: hourly weather files, and a damp spring that needs no file.

The two fixed layouts of "typical year" files are read here: TMY3 (comma-separated) and TMY2
(fixed columns). Both give a year of hours in local standard time, stitched from months of
different years; the hours are laid into one nominal year that has no 29 February.
"""

from __future__ import annotations

import csv
import importlib.util
import math
from bisect import bisect_right
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone
from functools import lru_cache
from pathlib import Path
from typing import Protocol

import numpy as np

from service.science import air

__all__ = [
    "NOMINAL_YEAR",
    "DampSpring",
    "Hour",
    "Outdoors",
    "WeatherError",
    "WeatherFile",
    "find_weather",
    "is_weather",
    "read_weather",
]

NOMINAL_YEAR = 2001
"""Year that typical-year hours are laid into where none is given; not a leap year."""

LIBRARY = "pvlib"
PREFIX = f"{LIBRARY}:"


class WeatherError(ValueError):
    """A weather file cannot be found or read; says which line and column."""


@dataclass(frozen=True)
class Hour:
    """Outdoor air at one instant."""

    at: datetime
    air_c: float
    dew_point_c: float
    rh_pct: float
    pressure_pa: float


class Outdoors(Protocol):
    """Whatever tells the outdoor air at an instant."""

    def at(self, instant: datetime) -> Hour:
        """Return the outdoor air at an aware instant."""


@dataclass(frozen=True)
class WeatherFile:
    """A year of hours; between them air and dew point run straight, and the year repeats."""

    name: str
    hours: tuple[Hour, ...]

    def at(self, instant: datetime) -> Hour:
        """Return the air at an instant of any year, by the time since that year's first hour."""
        first = self.hours[0].at
        year = timedelta(days=365)
        into = (instant - first.replace(year=instant.year)) % year
        wanted = first + into
        after = bisect_right(self.hours, wanted, key=lambda hour: hour.at)
        low, high = self.hours[after - 1], self.hours[after % len(self.hours)]
        part = ((wanted - low.at) / timedelta(hours=1)) if high is not low else 0.0
        air_c = low.air_c + part * (high.air_c - low.air_c)
        dew_c = min(low.dew_point_c + part * (high.dew_point_c - low.dew_point_c), air_c)
        return Hour(
            at=instant,
            air_c=air_c,
            dew_point_c=dew_c,
            rh_pct=float(air.rh_at_dew_point(air_c, dew_c)),
            pressure_pa=low.pressure_pa + part * (high.pressure_pa - low.pressure_pa),
        )


@dataclass(frozen=True)
class DampSpring:
    """An invented damp spring near a coast: a daily course, and fronts of a day or two.

    Stateless: the same seed gives the same air at the same instant, whatever was asked before.
    Fronts are smooth noise between random knots; all figures are chosen, not measured.
    """

    seed: int = 1
    mean_air_c: float = 12.0
    mean_dew_point_c: float = 8.5

    def at(self, instant: datetime) -> Hour:
        """Return the air at an instant; the day is warmest at 15:00 UTC."""
        hours = instant.timestamp() / 3600.0
        front, squall = self._noise(0, hours, 34.0), self._noise(1, hours, 7.0)
        cloud = 0.5 + 0.5 * math.tanh(front + 0.5 * squall)
        swing = (4.5 - 2.5 * cloud) * math.cos(2 * math.pi * (hours - 15.0) / 24.0)
        air_c = self.mean_air_c + 1.5 * front + 0.5 * squall + swing
        dew_c = min(self.mean_dew_point_c + 2.2 * front + 0.7 * squall, air_c - 0.2)
        return Hour(
            at=instant,
            air_c=air_c,
            dew_point_c=dew_c,
            rh_pct=float(air.rh_at_dew_point(air_c, dew_c)),
            pressure_pa=101_300.0 - 900.0 * self._noise(2, hours, 50.0),
        )

    def _noise(self, course: int, hours: float, spacing_h: float) -> float:
        knot = math.floor(hours / spacing_h)
        part = hours / spacing_h - knot
        eased = part * part * (3.0 - 2.0 * part)
        low, high = _knot(self.seed, course, knot), _knot(self.seed, course, knot + 1)
        return low + eased * (high - low)


@lru_cache(maxsize=4096)
def _knot(seed: int, course: int, index: int) -> float:
    return float(np.random.default_rng((seed, course, index)).standard_normal())


def is_weather(source: str | Path) -> bool:
    """Return whether a file name or ``pvlib:NAME`` means a typical-year weather file."""
    text = str(source)
    if text.startswith(PREFIX) or text.lower().endswith((".tm2", ".tmy3")):
        return True
    path = Path(text)
    if not path.is_file():
        return False
    with path.open(encoding="utf-8", errors="replace") as lines:
        lines.readline()
        return lines.readline().startswith("Date (MM/DD/YYYY),Time (HH:MM)")


def find_weather(source: str | Path) -> Path:
    """Return the path of a weather file; ``pvlib:NAME`` means one that the package carries.

    Raises
    ------
    WeatherError
        Where there is no such file or the package is not installed; lists those there are.
    """
    text = str(source)
    if not text.startswith(PREFIX):
        path = Path(text)
        if not path.is_file():
            raise WeatherError(f"{text}: there is no such file")
        return path
    found = importlib.util.find_spec(LIBRARY)  # finds the folder; imports nothing
    if found is None or found.origin is None:
        raise WeatherError(
            f"{text}: the package {LIBRARY} is not installed (pip install {LIBRARY})"
        )
    wanted = text.removeprefix(PREFIX).lower()
    carried = sorted(
        path
        for path in (Path(found.origin).parent / "data").iterdir()
        if path.suffix.lower() == ".tm2" or (path.suffix.lower() == ".csv" and is_weather(path))
    )
    for path in carried:
        if wanted in {path.name.lower(), path.stem.lower()}:
            return path
    names = ", ".join(path.name for path in carried)
    raise WeatherError(f"{text}: {LIBRARY} carries no such weather file; it carries {names}")


def read_weather(source: str | Path, year: int = NOMINAL_YEAR) -> WeatherFile:
    """Read a TMY2 or TMY3 file.

    Parameters
    ----------
    source : str or Path
        A path, or ``pvlib:NAME``.
    year : int
        Nominal year, in the station's standard time; 2000 to 2100. In a leap year 29 February
        is left out.

    Raises
    ------
    WeatherError
        Naming file, line and column.
    """
    if not 2000 <= year <= 2100:
        raise WeatherError(f"year: {year} is outside 2000 to 2100")
    path = find_weather(source)
    lines = path.read_text(encoding="utf-8", errors="replace").splitlines()
    hours = _read_tmy2(path, lines, year) if path.suffix.lower() == ".tm2" else _read_tmy3(
        path, lines, year
    )  # fmt: skip
    if len(hours) != 8760:
        raise WeatherError(f"{path.name}: expected 8760 hours, found {len(hours)}")
    return WeatherFile(path.name, tuple(hours))


_TMY3_COLUMNS = {
    "air_c": "Dry-bulb (C)",
    "dew_point_c": "Dew-point (C)",
    "rh_pct": "RHum (%)",
    "pressure_pa": "Pressure (mbar)",
}


def _read_tmy3(path: Path, lines: list[str], year: int) -> list[Hour]:
    station = next(csv.reader(lines[:1]), [])
    zone_text = station[3] if len(station) > 3 else ""
    zone_h = _number(path, 1, "time zone", zone_text)
    header = next(csv.reader(lines[1:2]), [])
    try:
        where = {key: header.index(name) for key, name in _TMY3_COLUMNS.items()}
    except ValueError as error:
        raise WeatherError(f"{path.name}, line 2: {error}; is it a TMY3 file?") from error
    hours = []
    for number, row in enumerate(csv.reader(lines[2:]), start=3):
        if len(row) < len(_TMY3_COLUMNS) or len(row) <= max(where.values()):
            raise WeatherError(f"{path.name}, line {number}: the line is cut off")
        value = {
            key: _number(path, number, _TMY3_COLUMNS[key], row[index])
            for key, index in where.items()
        }
        month, day = row[0].split("/")[:2]
        hours.append(
            Hour(
                at=_instant(path, number, year, month, day, row[1].split(":")[0], zone_h),
                air_c=value["air_c"],
                dew_point_c=value["dew_point_c"],
                rh_pct=value["rh_pct"],
                pressure_pa=100.0 * value["pressure_pa"],
            )
        )
    return hours


# Columns of the TMY2 layout, counted from 0; tenths of a degree, per cent, millibar.
_TMY2_COLUMNS = {
    "air_c": (67, 71, 0.1),
    "dew_point_c": (73, 77, 0.1),
    "rh_pct": (79, 82, 1.0),
    "pressure_pa": (84, 88, 100.0),
}


def _read_tmy2(path: Path, lines: list[str], year: int) -> list[Hour]:
    zone_h = _number(path, 1, "time zone", lines[0][33:36] if lines else "")
    hours = []
    for number, line in enumerate(lines[1:], start=2):
        value = {
            key: scale * _number(path, number, key, line[start:end])
            for key, (start, end, scale) in _TMY2_COLUMNS.items()
        }
        at = _instant(path, number, year, line[3:5], line[5:7], line[7:9], zone_h)
        hours.append(Hour(at=at, **value))
    return hours


def _instant(
    path: Path, line: int, year: int, month: str, day: str, hour: str, zone_h: float
) -> datetime:
    """Return the instant in UTC; the files count hours 1 to 24, each named by its end."""
    try:
        zone = timezone(timedelta(hours=zone_h))
        midnight = datetime(year, int(month), int(day), tzinfo=zone)
        return (midnight + timedelta(hours=int(hour))).astimezone(UTC)
    except (ValueError, OverflowError) as error:
        raise WeatherError(f"{path.name}, line {line}: date or time: {error}") from error


def _number(path: Path, line: int, column: str, text: str) -> float:
    try:
        value = float(text)
    except ValueError as error:
        raise WeatherError(f"{path.name}, line {line}: {column}: {text!r} is no number") from error
    if not math.isfinite(value) or abs(value) >= 9900:
        raise WeatherError(f"{path.name}, line {line}: {column}: {text!r} means missing")
    return value
