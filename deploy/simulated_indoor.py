"""A year of hourly air in the rooms of the simulated shop, behind real outdoor weather.

    python deploy/simulated_indoor.py FOLDER [STATION ...]

Writes FOLDER/<station>-<room>.csv for `boothglass backtest` and `outlook_table.py --indoor`.
A station takes some ten minutes on one core.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from outlook_stations import STATIONS, Station, load

from sensors.booth import Booth
from sensors.rooms import SALTMARSH
from sensors.weather import Hour
from service.science import air
from service.shop.outlook import AirHistory

PART_S = 300.0
"""Heater, dryer and fan are looked at this often."""


class Recorded:
    """Outdoor air straight between the hours of a record."""

    def __init__(self, history: AirHistory) -> None:
        self._history = history
        pressure = history.pressure_pa
        known = pressure is not None and bool(np.isfinite(pressure).any())
        self._pressure = pressure if known else np.full(history.time_s.size, 101_325.0)

    def at(self, instant: datetime) -> Hour:
        """Return the outdoor air at an instant."""
        now, made = instant.timestamp(), self._history
        air_c = float(np.interp(now, made.time_s, made.air_c))
        dew_c = min(float(np.interp(now, made.time_s, made.dew_point_c)), air_c)
        known = np.isfinite(self._pressure)
        pressure = float(np.interp(now, made.time_s[known], self._pressure[known]))
        return Hour(instant, air_c, dew_c, float(air.rh_at_dew_point(air_c, dew_c)), pressure)


def simulate(name: str, station: Station, folder: Path) -> None:
    """Run the shop behind one station's weather and write a CSV for each room."""
    history = load(station)
    start = datetime.fromtimestamp(history.time_s[0], UTC)
    shop = replace(SALTMARSH, utc_offset_h=station.utc_offset_h)
    booth = Booth(shop, Recorded(history), start)
    hours = int((history.time_s[-1] - history.time_s[0]) // 3600)
    lines = {room.name: ["at,air_c,rh_pct,pressure_pa"] for room in shop.rooms}
    now = booth.air()
    for hour in range(hours + 1):
        at = (start + timedelta(hours=hour)).isoformat()
        for room, told in lines.items():
            here = now[room]
            told.append(f"{at},{here.air_c:.3f},{here.rh_pct:.3f},{here.pressure_pa:.0f}")
        now = booth.step(3600.0, PART_S)
    for room, told in lines.items():
        (folder / f"{name}-{room}.csv").write_text("\n".join(told) + "\n", encoding="utf-8")


def main() -> None:
    """Simulate the stations named, or all."""
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    for name in sys.argv[2:] or list(STATIONS):
        simulate(name, STATIONS[name], folder)
        print(name, "done", file=sys.stderr)


if __name__ == "__main__":
    main()
