"""When a sensor was not in its place, so that what it said is not the place's air.

A sensor in a jar of its salt check tells of the jar. From shortly before the check is begun until
it has ended and the sensor has come back to the air, and while it is out of use, its readings are
kept like any other and flagged ``away``: the air now, the drying clocks, roll-ups and history leave
them out and say so. That follows from the check's own row, so that it is the same after a restart,
a rebuild, or a reading that comes late.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import timedelta

from sqlmodel import Session, col, select

from service.store.tables import SaltCheck, Sensor
from service.store.types import to_millis

__all__ = ["BACK_AFTER", "of"]

BACK_AFTER = timedelta(minutes=30)
"""A sensor out of a jar has come back to the room's air after this. Common practice."""

HANDLED = timedelta(minutes=5)
"""So long before the check is begun a sensor may already be in a hand on its way. Assumed."""

FOR_EVER_MS = 2**62


def of(session: Session, sensors: Iterable[Sensor]) -> dict[int, list[tuple[int, int]]]:
    """Return, by sensor, the stretches (ms since 1970, end not included) it was away."""
    away: dict[int, list[tuple[int, int]]] = {
        int(s.id or 0): [] if s.retired_at is None else [(to_millis(s.retired_at), FOR_EVER_MS)]
        for s in sensors
    }
    checks = session.exec(select(SaltCheck).where(col(SaltCheck.sensor_id).in_(away)))
    for check in checks:
        end = FOR_EVER_MS if check.ended_at is None else to_millis(check.ended_at + BACK_AFTER)
        away[check.sensor_id].append((to_millis(check.begun_at - HANDLED), end))
    return away
