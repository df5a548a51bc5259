"""Hours of a place whose flags and roll-ups are still to be reckoned."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import datetime

from sqlalchemy.dialects import postgresql, sqlite
from sqlmodel import Session, col, func, select

from service.store.tables import Reading, Sensor, Unsettled
from service.store.types import from_millis, to_millis

__all__ = ["HOUR_MS", "hour_of", "hours_with_readings", "insert", "mark", "mark_from", "runs"]

HOUR_MS = 3_600_000


def hour_of(millis: int) -> int:
    """Return the start of the UTC hour that an instant in milliseconds lies in."""
    return millis - millis % HOUR_MS


def runs(hours: Iterable[int]) -> Iterator[tuple[int, int]]:
    """Yield (start, end) in ms of stretches without a gap of hours given in order."""
    start = end = None
    for hour in hours:
        if end != hour:
            if start is not None and end is not None:
                yield start, end
            start = hour
        end = hour + HOUR_MS
    if start is not None and end is not None:
        yield start, end


def insert(session: Session) -> type[postgresql.Insert | sqlite.Insert]:
    """Return the insert that knows ``on conflict`` in the session's database."""
    return postgresql.Insert if session.get_bind().dialect.name == "postgresql" else sqlite.Insert


def mark(session: Session, hours: Iterable[tuple[str, int]]) -> None:
    """Mark hours (place, start in ms) as unsettled; marked twice is marked once."""
    rows = [{"place_id": place, "hour": from_millis(hour)} for place, hour in sorted(set(hours))]
    if rows:
        session.connection().execute(insert(session)(Unsettled).on_conflict_do_nothing(), rows)


def mark_from(session: Session, place_id: str, from_at: datetime) -> None:
    """Mark every hour of a place that has readings, from the one before an instant on."""
    first = hour_of(to_millis(from_at)) - HOUR_MS
    mark(session, [(place_id, hour) for hour in hours_with_readings(session, place_id, first)])


def hours_with_readings(session: Session, place_id: str, first_ms: int = 0) -> list[int]:
    """Return the hours of a place that have readings, from one on; starts in ms, in order."""
    sensor_ids = select(Sensor.id).where(col(Sensor.place_id) == place_id)
    # Walks the index from hour to hour instead of reading every row.
    at: datetime | None = from_millis(first_ms)
    hours: list[int] = []
    while True:
        at = session.exec(
            select(func.min(Reading.at)).where(
                col(Reading.sensor_id).in_(sensor_ids), col(Reading.at) >= at
            )
        ).one()
        if at is None:
            break
        hour = hour_of(to_millis(at))
        hours.append(hour)
        at = from_millis(hour + HOUR_MS)
    return hours
