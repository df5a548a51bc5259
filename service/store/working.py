"""When and how the shop works: kept by name, and laid out in minutes for a plan."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from typing import Any

from service.shop.plan import Hours, Stretch
from service.shop.plan.model import SLOT_MIN
from service.shop.said import say
from service.store.db import Database
from service.store.errors import BadInput
from service.store.facts import Facts
from service.store.fields import one_of, within

__all__ = [
    "DAYS",
    "USUAL",
    "Working",
    "first_day",
    "keep_working",
    "kept_working",
    "minutes_until",
    "to_a_slot",
    "working_stretches",
]

DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_FACT = "working"


@dataclass(frozen=True)
class Working:
    """When and how the shop works; ``hours`` by day of the week, a day off is absent."""

    hours: dict[str, tuple[str, str]]
    hands: int = 1
    booth: int = 1
    most_coats_a_day: int = 4
    setup_min: int = 30
    mask_setup_min: int = 15


USUAL = Working(dict.fromkeys(DAYS[:5], ("08:00", "17:00")))
"""Where nobody has said otherwise (assumed)."""


def kept_working(db: Database) -> Working:
    """When the shop works."""
    kept = Facts(db).get(_FACT)
    if kept is None:
        return USUAL
    hours = {day: (a, b) for day, (a, b) in kept["hours"].items()}
    # A count that was not asked for when the hours were kept stands as usual.
    return Working(hours, **{name: kept[name] for name in _COUNTS if name in kept})


def keep_working(db: Database, working: Working) -> None:
    """Keep when the shop works; raises BadInput naming the field."""
    _check(working)
    value: dict[str, Any] = {
        "hours": {day: list(working.hours[day]) for day in DAYS if day in working.hours},
        **{name: getattr(working, name) for name in _COUNTS},
    }
    Facts(db).put(_FACT, value)


def working_stretches(working: Working, now: datetime, zone: tzinfo, days: int) -> list[Stretch]:
    """Working stretches from now on, in minutes from now."""
    today = now.astimezone(zone).date()
    found = []
    for ahead in range(days):
        day = today + timedelta(days=ahead)
        if (times := working.hours.get(DAYS[day.weekday()])) is None:
            continue
        opens, closes = (minutes_until(_at(day, t, zone), now) for t in times)
        if closes > 0:
            found.append((max(0, opens), closes))
    return found


def first_day(hours: Hours, now: datetime, zone: tzinfo) -> date | None:
    """Date of the first working stretch."""
    if not hours.working:
        return None
    return (now + timedelta(minutes=hours.working[0][0])).astimezone(zone).date()


def to_a_slot(at: datetime) -> datetime:
    """Return the next whole slot, so that the plan speaks in round times."""
    slot = timedelta(minutes=SLOT_MIN)
    return at + (-(at - datetime(1970, 1, 1, tzinfo=UTC)) % slot)


def minutes_until(at: datetime, now: datetime) -> int:
    """Whole minutes from now until then, rounded up."""
    return math.ceil((at - now) / timedelta(minutes=1))


def _at(day: date, clock_time: str, zone: tzinfo) -> datetime:
    return datetime.combine(day, time.fromisoformat(clock_time), zone)


_LIMITS = {
    "hands": (1, 20),
    "booth": (1, 20),
    "most_coats_a_day": (1, 20),
    "setup_min": (0, 240),
    "mask_setup_min": (0, 240),
}
_COUNTS = tuple(_LIMITS)


def _check(working: Working) -> None:
    for name, (low, high) in _LIMITS.items():
        within(name, getattr(working, name), low, high, "min" if name.endswith("_min") else "")
    if not working.hours:
        raise BadInput("hours", say("no day is left to work on"))
    for day, (opens, closes) in working.hours.items():
        one_of("hours", day, DAYS)
        try:
            if time.fromisoformat(opens) >= time.fromisoformat(closes):
                raise BadInput(
                    "hours",
                    say(
                        "{day}: {opens} does not lie before {closes}",
                        day=day,
                        opens=opens,
                        closes=closes,
                    ),
                )
        except ValueError as error:
            raise BadInput(
                "hours",
                say(
                    "{day}: {opens} to {closes} are no times of day",
                    day=day,
                    opens=opens,
                    closes=closes,
                ),
            ) from error
