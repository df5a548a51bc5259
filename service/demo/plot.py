"""When something can be done in the season: the times at which a coat could go on, and their air.

What air does to a coat here is the simulation's own: the shop's thinner is fast, so its film gets
colder than the model reckons, and a coat blushes where the reckoned margin is below ``BLUSHES_K``.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from sensors.rooms import SALTMARSH
from service.demo.rooms_air import SeasonAir
from service.science import air as moist
from service.shop.film_table import FilmTable, Known
from service.shop.materials import Coating, Material

__all__ = ["BLUSHES_K", "RETARDER_PCT", "Plot", "Slot", "plot_of"]

BLUSHES_K = 2.0
"""True threshold of the shop's coats, hidden from the tool, whose own limit is zero."""

RETARDER_PCT = 10.0

HOURS = (9.6, 11.1, 14.1, 15.85, 17.4)
"""Hours of the shop's day at which a coat may go on; the first four with the fan's rounds."""

GOOD_K, GOOD_RH_PCT, GOOD_C = 2.3, 60.0, (16.0, 30.0)
"""Air that the finisher sprays in: some way from the trouble."""

APART = timedelta(hours=1.2)


@dataclass(frozen=True)
class Slot:
    """A time at which a coat could go on in the booth, and its true air.

    ``margin_k`` is the reckoned film floor over the dew point for a usual coat, ``retarded_k`` with
    retarder; NaN outside what the film is reckoned for.
    """

    at: datetime
    air_c: float
    rh_pct: float
    margin_k: float
    retarded_k: float
    heard: bool

    @property
    def good(self) -> bool:
        """Whether the finisher would spray without a second thought."""
        return (
            self.heard
            and self.margin_k >= GOOD_K
            and self.rh_pct <= GOOD_RH_PCT
            and GOOD_C[0] <= self.air_c <= GOOD_C[1]
        )


@dataclass(frozen=True)
class Plot:
    """The season's air and the slots in it, oldest first."""

    air: SeasonAir
    slots: tuple[Slot, ...]

    def day(self, at: datetime, days: int, hour: float) -> datetime:
        """Return an hour of the shop's day so many days after that of an instant."""
        local = at + self.air.utc_offset
        midnight = at - (local - local.replace(hour=0, minute=0, second=0, microsecond=0))
        return midnight + timedelta(days=days, minutes=round(60 * hour))

    def good_before(self, at: datetime, many: int) -> list[Slot]:
        """Return the last good slots before an instant, oldest first, or as many as there are."""
        end = bisect_left(self.slots, at - APART, key=lambda slot: slot.at)
        return _apart(reversed_good(self.slots[:end]), many)[::-1]

    def good_after(self, at: datetime, many: int) -> list[Slot]:
        """Return the first good slots after an instant; fewer where there are none."""
        begin = bisect_left(self.slots, at + APART, key=lambda slot: slot.at)
        return _apart([slot for slot in self.slots[begin:] if slot.good], many)

    def find(self, wanted: Callable[[Slot], bool]) -> list[Slot]:
        """Return the slots that fit."""
        return [slot for slot in self.slots if wanted(slot)]


def reversed_good(slots: Sequence[Slot]) -> list[Slot]:
    """Return the good ones, newest first."""
    return [slot for slot in reversed(slots) if slot.good]


def _apart(slots: Sequence[Slot], many: int) -> list[Slot]:
    found: list[Slot] = []
    for slot in slots:
        if len(found) == many:
            break
        if not found or abs(slot.at - found[-1].at) >= APART:
            found.append(slot)
    return found


def plot_of(air: SeasonAir, material: Material) -> Plot:
    """Look at the booth's true air at every hour at which a coat could go on."""
    first = air.spans.begin + timedelta(days=1)
    days = (air.spans.end - first).days
    offset = air.utc_offset
    midnight = first + offset
    midnight -= timedelta(
        hours=midnight.hour, minutes=midnight.minute, seconds=midnight.second,
        microseconds=midnight.microsecond,
    )  # fmt: skip
    times = [
        midnight - offset + timedelta(days=n, minutes=round(60 * hour))
        for n in range(days)
        for hour in HOURS
    ]
    seen = [air.at(SALTMARSH.booth, at) for at in times]
    air_c = np.array([a.air_c for a in seen])
    rh_pct = np.array([a.rh_pct for a in seen])
    surface_off_k = np.array([a.surface_c for a in seen]) - air_c
    dew_c = np.asarray(moist.dew_point(air_c, rh_pct))
    margins = [
        _table(material, retarder_pct).film(air_c, air_c - dew_c, surface_off_k)[0] - dew_c
        for retarder_pct in (0.0, RETARDER_PCT)
    ]
    return Plot(
        air,
        tuple(
            Slot(at, float(c), float(rh), float(plain), float(slow), air.heard(at))
            for at, c, rh, plain, slow in zip(times, air_c, rh_pct, *margins, strict=True)
        ),
    )


def _table(material: Material, retarder_pct: float) -> FilmTable:
    coat = Coating(material.usual_wet_um, retarder_pct=retarder_pct)
    return FilmTable(material, coat, Known(101_000.0, 0.3, 2.0, surface_measured=True))
