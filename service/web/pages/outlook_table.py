"""The figures behind the fan of the outlook, hour by hour, in a person's units."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import groupby

from service.store.window_book import SprayOutlook
from service.web.outlook_answers import HourOut, QuantilesOut
from service.web.words import Words

__all__ = ["Day", "days_of"]

STEP = timedelta(minutes=10)
"""Between the chances that a spray outlook gives, the first of them one step after its issue."""


@dataclass(frozen=True)
class Expected:
    """A quantity as a cell shows it, without its unit: the middle, and eight times in ten."""

    middle: str
    span: str


@dataclass(frozen=True)
class Row:
    """One hour; ``chance`` is that of *spray* by the air [%], empty where it is not known."""

    at: datetime
    clock: str
    air: Expected
    dew_point: Expected
    margin: Expected
    chance: str


@dataclass(frozen=True)
class Day:
    """The hours of one day of the shop's."""

    name: str
    rows: tuple[Row, ...]


def days_of(hours: Sequence[HourOut], found: SprayOutlook, words: Words) -> list[Day]:
    """Return every hour of the outlook, by days."""

    def row(hour: HourOut) -> Row:
        return Row(
            hour.at,
            words.clock(hour.at),
            _expected(hour.air_c, words.temperature, words),
            _expected(hour.dew_point_c, words.temperature, words),
            _expected(hour.margin_k, words.difference, words),
            _chance(hour.at, found),
        )

    by_day = groupby(hours, key=lambda hour: words.weekday(hour.at))
    return [Day(name, tuple(map(row, of))) for name, of in by_day]


def _expected(quantiles: QuantilesOut, said: Callable[[float, int], str], words: Words) -> Expected:
    def bare(value: float, digits: int) -> str:
        return said(value, digits).rsplit(" ", 1)[0]

    span = words.say("{low} to {high}", low=bare(quantiles.p10, 0), high=bare(quantiles.p90, 0))
    return Expected(bare(quantiles.p50, 1), span)


def _chance(at: datetime, found: SprayOutlook) -> str:
    if found.issued_at is None:
        return ""
    index = round((at - found.issued_at) / STEP) - 1
    return f"{100 * found.chances[index]:.0f}" if 0 <= index < len(found.chances) else ""
