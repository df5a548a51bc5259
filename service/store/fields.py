"""What a person may enter: each check returns the value or raises BadInput naming the field."""

from __future__ import annotations

from collections.abc import Collection
from datetime import UTC, datetime, timedelta

from service.shop.said import say
from service.store.errors import BadInput

__all__ = ["instant", "one_of", "text", "within"]

EARLIEST = datetime(2000, 1, 1, tzinfo=UTC)
CLOCK_SLACK = timedelta(seconds=60)
ONE_LINE = 120


def text(field: str, value: str, longest: int, *, required: bool = False) -> str:
    """Trim text; short fields are kept to one line."""
    trimmed = " ".join(value.split()) if longest <= ONE_LINE else value.strip()
    if required and not trimmed:
        raise BadInput(field, say("must not be empty"))
    if len(trimmed) > longest:
        raise BadInput(
            field,
            say("is {count} characters long; {most} at most", count=len(trimmed), most=longest),
        )
    return trimmed


def instant(
    field: str, at: datetime | None, now: datetime, *, ahead: timedelta = timedelta()
) -> datetime:
    """Return an instant in UTC, by default ``now``; not before 2000, nor later than ``ahead``."""
    if at is None:
        return now
    if at.tzinfo is None:
        raise BadInput(field, say("needs a time zone: add Z or an offset such as +01:00"))
    if at > now + ahead + CLOCK_SLACK:
        when = at.isoformat()
        raise BadInput(
            field,
            say("{at} lies more than {days:d} days ahead", at=when, days=ahead.days)
            if ahead
            else say("{at} lies in the future", at=when),
        )
    if at < EARLIEST:
        raise BadInput(field, say("{at} is before the year 2000", at=at.isoformat()))
    return at.astimezone(UTC)


def one_of(field: str, value: str, known: Collection[str]) -> str:
    """Return a word that is among those that are known."""
    if value not in known:
        raise BadInput(
            field, say("{value!r} is none of {known}", value=value, known=", ".join(known))
        )
    return value


def within(field: str, value: float, low: float, high: float, unit: str) -> float:
    """Return a figure that lies in its range; NaN lies in none."""
    if not low <= value <= high:
        raise BadInput(
            field,
            say(
                "{value:g} is outside {low:g} to {high:g} {unit}",
                value=value,
                low=low,
                high=high,
                unit=unit,
            ),
        )
    return value
