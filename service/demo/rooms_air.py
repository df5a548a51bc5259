"""The air of the invented workshop over a season, as it really was and as its probes told it.

Two things that are not the weather's happen in it: a stove runs hot day and night through a dry
fortnight, and for the three dampest days nothing is measured.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from sensors.booth import OUTDOORS, Air, Booth
from sensors.feed import SENSOR, probes, report
from sensors.payloads import decode, topic_of
from sensors.rooms import SALTMARSH
from sensors.weather import Outdoors
from service.intake.check import checked
from service.store.readings import NewReading

__all__ = ["EVERY_S", "SeasonAir", "Spans", "live_through", "readings_of", "spans_of"]

Floats = NDArray[np.float64]

EVERY_S = 900.0
"""Between two readings of a sensor: near enough for the air at a coat and the clocks between."""

WARM_UP = timedelta(days=4)
STOVE_C = 27.0
STOVE_FOR, SILENT_FOR = timedelta(days=14), timedelta(days=3)

PLACES = (*(room.name for room in SALTMARSH.rooms), OUTDOORS)
FIGURES = ("air_c", "rh_pct", "surface_c", "pressure_pa")


@dataclass(frozen=True)
class Spans:
    """When the season begins and ends, the stove ran hot, and nothing was measured."""

    begin: datetime
    end: datetime
    stove: tuple[datetime, datetime]
    silent: tuple[datetime, datetime]
    coldest: datetime
    """Evening before the coldest night outdoors."""


@dataclass(frozen=True, eq=False)
class SeasonAir:
    """The true air: ``figures`` is (instants, places, figures), ``time_s`` in s since 1970."""

    spans: Spans
    utc_offset: timedelta
    time_s: Floats
    figures: Floats

    def index(self, at: datetime) -> int:
        """Return the row of an instant: the last that is not later."""
        return max(0, int(np.searchsorted(self.time_s, at.timestamp(), side="right")) - 1)

    def at(self, place: str, at: datetime) -> Air:
        """Return the true air of a place."""
        return Air(*self.figures[self.index(at), PLACES.index(place)].tolist())

    def over(self, place: str, figure: str, start: datetime, end: datetime) -> Floats:
        """Return a figure of a place from one instant until before another."""
        rows = slice(self.index(start), max(self.index(end), self.index(start) + 1))
        return self.figures[rows, PLACES.index(place), FIGURES.index(figure)]

    def heard(self, at: datetime) -> bool:
        """Whether sensors were heard then."""
        return not self.spans.silent[0] <= at < self.spans.silent[1]


def spans_of(weather: Outdoors, begin: datetime, end: datetime, utc_offset: timedelta) -> Spans:
    """Choose when the stove runs, when nothing is measured, and the coldest night, by the weather.

    The stove runs through the fortnight that is driest against the ten days before it. Of the days
    in which nothing else happens, nothing is measured in the dampest.
    """
    first = _midnight(begin, utc_offset)
    days = [first + timedelta(days=n) for n in range((end - first).days)]
    noon_dew = np.array([weather.at(day + timedelta(hours=12)).dew_point_c for day in days])
    # Room for a piece to be coated before, and for its flaw to show after.
    least, most = 30, len(days) - STOVE_FOR.days - 6
    drier = [noon_dew[n - 10 : n].mean() - noon_dew[n : n + 14].mean() for n in range(least, most)]
    stove = days[least + int(np.argmax(drier))] + timedelta(hours=7)
    dawn_c = [weather.at(day + timedelta(hours=29)).air_c for day in days]
    coldest = days[least + int(np.argmin(dawn_c[least : len(days) - 8]))] + timedelta(hours=18)
    busy = [(stove - timedelta(days=16), stove + STOVE_FOR + timedelta(days=2))]
    busy += [(coldest - timedelta(days=1), coldest + timedelta(days=2))]
    quiet = [
        n
        for n in range(least, len(days) - 20)
        if all(days[n] + SILENT_FOR < start or days[n] > stop for start, stop in busy)
    ]
    dampest = max(quiet, key=lambda n: noon_dew[n : n + SILENT_FOR.days].sum())
    silent = days[dampest] + timedelta(hours=8)
    return Spans(begin, end, (stove, stove + STOVE_FOR), (silent, silent + SILENT_FOR), coldest)


def live_through(
    weather: Outdoors,
    spans: Spans,
    utc_offset: timedelta,
    tell: Callable[[float], None] = lambda _part: None,
) -> SeasonAir:
    """Run the simulated rooms through the season; ``tell`` hears how much of it is done, 0 to 1."""
    rooms = replace(SALTMARSH, utc_offset_h=utc_offset / timedelta(hours=1))
    booth = Booth(rooms, weather, spans.begin - WARM_UP)
    booth.step(WARM_UP.total_seconds(), part_s=EVERY_S)
    hot = replace(rooms, day_c=STOVE_C, night_c=STOVE_C)
    many = int((spans.end - spans.begin).total_seconds() // EVERY_S)
    time_s, figures = np.empty(many), np.empty((many, len(PLACES), len(FIGURES)))
    for n in range(many):
        booth.shop = hot if spans.stove[0] <= booth.at < spans.stove[1] else rooms
        places = booth.step(EVERY_S, part_s=EVERY_S)
        time_s[n] = booth.at.timestamp()
        figures[n] = [[getattr(places[p], name) for name in FIGURES] for p in PLACES]
        if n % 96 == 0:
            tell(n / many)
    return SeasonAir(spans, utc_offset, time_s, figures)


def readings_of(air: SeasonAir, seed: int, days_at_once: int = 2) -> Iterator[list[NewReading]]:
    """Yield what the probes told, some days at a time; nothing while nothing was measured."""
    first = {p: Air(*air.figures[0, i].tolist()) for i, p in enumerate(PLACES)}
    own = probes(first, seed)
    step = int(days_at_once * 86_400 / EVERY_S)
    cuts = [*range(0, len(air.time_s), step), len(air.time_s)]
    for start, stop in pairwise(cuts):
        batch: list[NewReading] = []
        for n in range(start, stop):
            batch += _told(air, n, own)
        yield batch


def _told(air: SeasonAir, n: int, own: Mapping[str, object]) -> Iterator[NewReading]:
    at = datetime.fromtimestamp(air.time_s[n], air.spans.begin.tzinfo)
    for i, place in enumerate(PLACES):
        # A probe is asked whether it is heard or not, so that its noise does not depend on it.
        payload = report(place, own[place], Air(*air.figures[n, i].tolist()), at)  # type: ignore[arg-type]
        if air.heard(at):
            yield from (
                checked(said, now=at) for said in decode(topic_of(place, SENSOR), payload, at)
            )


def _midnight(at: datetime, utc_offset: timedelta) -> datetime:
    """Return the last midnight of the shop's day."""
    local = at + utc_offset
    return at - (local - local.replace(hour=0, minute=0, second=0, microsecond=0))
