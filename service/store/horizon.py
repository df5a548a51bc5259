"""The raw horizon: before it, readings may have been thinned out, and only roll-ups are left.

A thinned hour of a sensor is one that has a roll-up and no longer all of the readings behind it.
Nothing may be reckoned anew from what is left of such an hour, and no reading is taken into it: a
repeat could not be told from a new one.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import timedelta

from sqlalchemy import BigInteger, type_coerce
from sqlmodel import Session, col, func, select

from service.store.marks import HOUR_MS, hour_of
from service.store.tables import Fact, Reading, RollUp
from service.store.types import from_millis, to_millis

__all__ = [
    "LEAST_KEPT",
    "Thinned",
    "horizon",
    "move_horizon",
    "stretches_without",
    "thinned",
    "untold",
]

KEY = "raw_horizon"

LEAST_KEPT = timedelta(days=30)
"""Readings younger than this are never thinned out, whatever was set."""

Thinned = Mapping[int, frozenset[int]]
"""Sensor to the thinned hours (their starts in ms since 1970)."""


def horizon(session: Session) -> int | None:
    """Return the horizon in ms since 1970; None where nothing was ever thinned out."""
    fact = session.get(Fact, KEY)
    return None if fact is None else int(fact.value["at_ms"])


def move_horizon(session: Session, at_ms: int) -> None:
    """Move the horizon forward; it never goes back."""
    there = session.get(Fact, KEY)
    if there is None:
        session.add(Fact(key=KEY, value={"at_ms": at_ms}))
    elif there.value["at_ms"] < at_ms:
        there.value = {"at_ms": at_ms}
        session.add(there)
    session.flush()


def thinned(session: Session, sensor_ids: Sequence[int], from_ms: int, until_ms: int) -> Thinned:
    """Return the thinned hours of sensors from ``from_ms`` until before ``until_ms``.

    Sensors without any are left out.
    """
    limit = horizon(session)
    if limit is None or from_ms >= limit:
        return {}
    # Whole hours are compared; the horizon is one's beginning.
    first, last = hour_of(from_ms), min(hour_of(until_ms - 1) + HOUR_MS, limit)
    rolled = _rolled(session, sensor_ids, first, last)
    if not rolled:
        return {}
    left = _counts(session, sensor_ids, first, last)
    found: dict[int, set[int]] = {}
    for (sensor_id, hour), count in rolled.items():
        if left.get((sensor_id, hour), 0) < count:
            found.setdefault(sensor_id, set()).add(hour)
    return {sensor_id: frozenset(hours) for sensor_id, hours in found.items()}


def untold(session: Session, sensor_id: int, from_ms: int, until_ms: int) -> set[int]:
    """Return the hours of a sensor whose roll-up does not tell all the readings that are there."""
    rolled = _rolled(session, [sensor_id], from_ms, until_ms)
    left = _counts(session, [sensor_id], from_ms, until_ms)
    return {key[1] for key, count in left.items() if rolled.get(key, 0) < count}


def stretches_without(hours: Iterable[int], first_ms: int, last_ms: int) -> list[tuple[int, int]]:
    """Return the stretches from ``first_ms`` until ``last_ms``, whole hours, without these hours.

    Examples
    --------
    >>> stretches_without([3_600_000], 0, 3 * 3_600_000)
    [(0, 3600000), (7200000, 10800000)]
    """
    found: list[tuple[int, int]] = []
    start = first_ms
    for hour in sorted(h for h in hours if first_ms <= h < last_ms):
        if start < hour:
            found.append((start, hour))
        start = hour + HOUR_MS
    if start < last_ms:
        found.append((start, last_ms))
    return found


def _rolled(
    session: Session, sensor_ids: Sequence[int], from_ms: int, until_ms: int
) -> dict[tuple[int, int], int]:
    rows = session.exec(
        select(RollUp.sensor_id, RollUp.at, RollUp.count + RollUp.left_out)
        .where(col(RollUp.sensor_id).in_(sensor_ids), col(RollUp.step_s) == HOUR_MS // 1000)
        .where(col(RollUp.at) >= from_millis(from_ms), col(RollUp.at) < from_millis(until_ms))
    )
    return {(sensor_id, to_millis(at)): count for sensor_id, at, count in rows}


def _counts(
    session: Session, sensor_ids: Sequence[int], from_ms: int, until_ms: int
) -> dict[tuple[int, int], int]:
    at = type_coerce(col(Reading.at), BigInteger)
    hour = at - at % HOUR_MS
    rows = session.connection().execute(
        select(col(Reading.sensor_id), hour, func.count())
        .where(col(Reading.sensor_id).in_(sensor_ids))
        .where(col(Reading.at) >= from_millis(from_ms), col(Reading.at) < from_millis(until_ms))
        .group_by(col(Reading.sensor_id), hour)
    )
    return {(int(sensor_id), int(start)): int(count) for sensor_id, start, count in rows}
