"""A year of eight sensors at 30 s, invented, laid into a database as a service would have done.

    python deploy/history_year.py FOLDER

One sensor in the booth, two in the rack, five in the wood store: 8.4 million readings. They go
through the service's own door in the order in which they would have come in, all sensors mixed, so
that the file is laid out as it would really be; flags and roll-ups follow day by day. It takes some
twenty minutes, and a folder that already holds such a year is left as it is.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import NamedTuple

import numpy as np

from service.store.db import Database, sqlite_url
from service.store.readings import NewReading, record_batch
from service.store.settling import settle_all

START = datetime(2025, 1, 1, tzinfo=UTC)
DAYS = 365
EVERY_S = 30
AT_ONCE = 4000
"""Readings in a commit; the layout of the file does not depend on it."""


class Device(NamedTuple):
    """A sensor, and what it sends beside air and humidity."""

    place: str
    name: str
    surface: bool = False
    pressure: bool = False
    battery: bool = False


SHOP = (
    Device("booth", "wall", surface=True, pressure=True),
    Device("rack", "left", battery=True),
    Device("rack", "right", battery=True),
    Device("store", "door", pressure=True),
    *(Device("store", f"shelf-{n}", battery=True) for n in range(1, 5)),
)
LEAN = tuple(Device(d.place, d.name) for d in SHOP)
FULL = tuple(Device(d.place, d.name, True, True, True) for d in SHOP)  # noqa: FBT003 -- all of them


def build(folder: Path, *, days: int = DAYS, devices: tuple[Device, ...] = SHOP) -> Path:
    """Return the database file in a folder, after building it if it is not there."""
    file = folder / "boothglass.sqlite"
    done = folder / "built"
    if done.exists():
        return file
    folder.mkdir(parents=True, exist_ok=True)
    for old in folder.glob("boothglass.sqlite*"):
        old.unlink()
    db = Database(sqlite_url(folder))
    db.upgrade()
    begun = time.monotonic()
    for number, batch in enumerate(_days(days, devices), start=1):
        for first in range(0, len(batch), AT_ONCE):
            with db.write() as session:
                record_batch(session, batch[first : first + AT_ONCE])
        settle_all(db)
        if number % 30 == 0:
            print(f"day {number} of {days}, {time.monotonic() - begun:.0f} s", flush=True)
    db.dispose()  # the last connection closed empties the log into the file
    done.write_text(f"{days} days\n")
    return file


def _days(days: int, devices: tuple[Device, ...]) -> Iterator[list[NewReading]]:
    """Yield the readings of each day, in the order of their coming in."""
    rng = np.random.default_rng(1)
    phase_ms = rng.integers(0, EVERY_S * 1000, len(devices))
    offset = rng.normal(0.0, 0.15, (2, len(devices)))
    seconds = np.arange(0, 86_400, EVERY_S)
    for day in range(days):
        year = 2.0 * np.pi * (day + seconds / 86_400.0) / 365.0
        hours = 2.0 * np.pi * (seconds / 3600.0 - 15.0) / 24.0
        air = 18.0 - 4.0 * np.cos(year) + 2.5 * np.cos(hours)
        rh = 52.0 + 6.0 * np.cos(year) - 7.0 * np.cos(hours)
        rows = []
        for k, device in enumerate(devices):
            # A sensor's noise, the jitter of its timer, and the way over the network.
            own_air = np.round(air + offset[0, k] + rng.normal(0.0, 0.03, air.size), 2)
            own_rh = np.round(rh + offset[1, k] + rng.normal(0.0, 0.08, rh.size), 2)
            at_ms = seconds * 1000 + phase_ms[k] + rng.integers(-200, 200, seconds.size)
            delay_ms = rng.integers(20, 400, seconds.size)
            mbar = np.round(1013.0 + 8.0 * np.sin(5.0 * year), 1)
            for n in range(seconds.size):
                at = START + timedelta(days=day, milliseconds=int(at_ms[n]))
                rows.append(
                    NewReading(
                        device.place,
                        device.name,
                        at,
                        at + timedelta(milliseconds=int(delay_ms[n])),
                        float(own_air[n]),
                        float(own_rh[n]),
                        float(own_air[n]) - 0.5 if device.surface else None,
                        100.0 * float(mbar[n]) if device.pressure else None,
                        100 - day % 90 if device.battery else None,
                    )
                )
        yield sorted(rows, key=lambda row: row.received_at)


if __name__ == "__main__":
    print(build(Path(sys.argv[1])))
