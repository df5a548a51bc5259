"""Plausibility at the edge: what a reading may say at all, before anyone rests an answer on it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from sensors.halves import Half
from sensors.payloads import PayloadError, Report
from service.store import readings
from service.store.readings import NewReading, Recorded

__all__ = ["AHEAD", "checked", "checked_half", "refusals"]

AHEAD = timedelta(seconds=120)
"""How far a sensor's clock may be ahead of ours."""

EARLIEST = datetime(2000, 1, 1, tzinfo=UTC)
LIMITS = {
    "air_c": (-40.0, 60.0, "°C"),
    "rh_pct": (0.0, 105.0, "%"),
    "surface_c": (-40.0, 80.0, "°C"),
    "pressure_pa": (50_000.0, 110_000.0, "Pa"),
}
"""A wet sensor reads a little over 100: up to 105 is kept as sent and counts as 100."""


def refusals(recorded: Recorded) -> list[tuple[int, PayloadError]]:
    """Return which of a batch the store did not take, and why."""
    too_many = f"is new, and {readings.MOST_SENSORS} are known: too many for a shop"
    too_old = "is of an hour of which only roll-ups are kept: a repeat could not be told"
    return [
        *((index, PayloadError("sensor", too_many)) for index in recorded.refused),
        *((index, PayloadError("at", too_old)) for index in recorded.too_old),
    ]


def checked(report: Report, *, now: datetime, waited: bool = False) -> NewReading:
    """Return a reading fit to keep, as sent.

    Parameters
    ----------
    now : datetime
        When it was received.
    waited : bool
        Whether it may have waited at the broker. Then a report without an instant of its own has
        an unknown age, and nothing may rest on it.

    Raises
    ------
    PayloadError
        Naming the field that cannot be: out of range, from the future, from before 2000, or of
        unknown age. Late readings are fine; they are history and never the air of now.
    """
    for field in LIMITS:
        value = getattr(report, field)
        if value is not None:
            _within(field, value)
    _in_time(report.at, now, timed=report.timed, waited=waited)
    return NewReading(
        place=report.place,
        sensor=report.sensor,
        # As sent, even if a little ahead: sent again, it must be known as the same reading.
        at=report.at,
        received_at=now,
        air_c=report.air_c,
        rh_pct=report.rh_pct,
        surface_c=report.surface_c,
        pressure_pa=report.pressure_pa,
        battery_pct=_battery(report.battery_pct),
    )


def _battery(percent: float | None) -> int | None:
    """Return a charge in whole percent; one that cannot be is no cause to refuse a reading."""
    return None if percent is None or not 0.0 <= percent <= 110.0 else min(round(percent), 100)


def checked_half(half: Half, *, now: datetime, waited: bool = False) -> None:
    """Check what comes by itself, as :func:`checked` does, before it is joined with anything."""
    if half.quantity in LIMITS:
        _within(half.quantity, half.value)
    _in_time(half.at, now, timed=half.timed, waited=waited)


def _in_time(at: datetime, now: datetime, *, timed: bool, waited: bool) -> None:
    if at > now + AHEAD:
        raise PayloadError("at", f"{at.isoformat()} lies in the future")
    if at < EARLIEST:
        raise PayloadError("at", f"{at.isoformat()} is before the year 2000")
    if waited and not timed:
        raise PayloadError("at", "is missing, and the message may have waited: its age is unknown")


def _within(field: str, value: float) -> None:
    low, high, unit = LIMITS[field]
    if not low <= value <= high:
        raise PayloadError(field, f"{value:g} is outside {low:g} to {high:g} {unit}")
