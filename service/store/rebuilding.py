"""Everything derived, reckoned anew from readings, corrections and checks, and compared.

Derived are the flags of readings, the roll-ups, and how far a coat's clock had run at a verdict.
The air kept with a coat and the evidence kept with a flaw are not: they record what was known when
somebody wrote them down.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from sqlalchemy import BigInteger, type_coerce
from sqlmodel import Session, col, select

from service.store import marks, settling, verdict_clocks
from service.store.catalogue import Catalogue
from service.store.db import Database
from service.store.marks import HOUR_MS
from service.store.tables import Coat, Instrument, Reading, RollUp, Sensor, Unsettled
from service.store.types import from_millis, to_millis

__all__ = ["Difference", "Rebuilt", "rebuild"]

DAY_MS = 24 * HOUR_MS
EXAMPLES = 20


@dataclass(frozen=True)
class Difference:
    """Something derived that was not what it should be; ``was`` or ``now`` is None where missing.

    ``what`` is ``flags``, the roll-up by its step in seconds, or the hours of a verdict's clock;
    then ``place`` and ``sensor`` are the piece and the coat's material.
    """

    place: str
    sensor: str
    at: datetime
    what: str
    was: object
    now: object


@dataclass
class Rebuilt:
    """What was reckoned anew, and how much of it came out different."""

    hours: int = 0
    flags: int = 0
    rollups: int = 0
    verdicts: int = 0
    examples: list[Difference] = field(default_factory=list)

    @property
    def same(self) -> bool:
        """Whether everything was as it should be."""
        return self.flags == 0 and self.rollups == 0 and self.verdicts == 0


def rebuild(
    db: Database,
    *,
    catalogue: Catalogue | None = None,
    check: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> Rebuilt:
    """Reckon everything derived anew, a day of a place in one transaction each.

    The service may go on meanwhile. What it had not settled yet is settled first and is no
    difference.

    Parameters
    ----------
    catalogue : Catalogue, optional
        Materials and their versions; without them the clocks of verdicts are left alone.
    check : bool
        Only compare: every transaction is rolled back.
    progress : callable
        Told how many hours of how many are done.
    """
    result = Rebuilt()
    with db.read() as session:
        places = session.exec(select(Sensor.place_id).distinct().order_by(Sensor.place_id)).all()
        days = [(place, day) for place in places for day in _days(session, place)]
    total = sum(len(hours) for _, hours in days)
    for place, hours in days:
        with _aside(db) if check else db.write() as session:
            _rebuild_day(session, place, hours, result, check=check)
        result.hours += len(hours)
        if progress:
            progress(result.hours, total)
    if not check:
        settling.settle_all(db)
    if catalogue is not None:
        _clocks(db, catalogue, result, check=check)
    return result


def _clocks(db: Database, catalogue: Catalogue, result: Rebuilt, *, check: bool) -> None:
    if not check:
        verdict_clocks.catch_up(db, catalogue)
    changed = verdict_clocks.differences(db, catalogue, check=check)
    result.verdicts = len(changed)
    with db.read() as session:
        for verdict, was, now in changed[: max(0, EXAMPLES - len(result.examples))]:
            coat = session.get_one(Coat, verdict.coat_id)
            piece = session.get_one(Instrument, coat.instrument_id)
            result.examples.append(
                Difference(
                    place=f"No. {piece.shop_number}",
                    sensor=verdict.material_id,
                    at=verdict.at,
                    what="hours of the clock at a verdict",
                    was=was,
                    now=now,
                )
            )


def _days(session: Session, place_id: str) -> list[list[int]]:
    """Return the hours of a place that hold anything, the hours of each day together."""
    sensor_ids = select(Sensor.id).where(col(Sensor.place_id) == place_id)
    at = type_coerce(col(RollUp.at), BigInteger)
    rolled = session.exec(
        select(at - at % HOUR_MS).where(col(RollUp.sensor_id).in_(sensor_ids)).distinct()
    )
    hours = {int(hour) for hour in rolled} | set(marks.hours_with_readings(session, place_id))
    days: dict[int, list[int]] = {}
    for hour in sorted(hours):
        days.setdefault(hour - hour % DAY_MS, []).append(hour)
    return list(days.values())


@contextmanager
def _aside(db: Database) -> Iterator[Session]:
    """Open a session whose changes are never kept."""
    with Session(db.engine) as session:
        try:
            yield session
        finally:
            session.rollback()


def _rebuild_day(
    session: Session, place_id: str, hours: Sequence[int], result: Rebuilt, *, check: bool
) -> None:
    first = hours[0] - hours[0] % DAY_MS
    # Settling a day also mends flags of the next one. If they are kept, they are counted with this
    # day, as they will be right when the next one comes; if not, the next one counts its own.
    until = first + (DAY_MS if check else 2 * DAY_MS)
    waiting = session.exec(
        select(Unsettled.hour)
        .where(col(Unsettled.place_id) == place_id)
        .where(col(Unsettled.hour) >= from_millis(first - DAY_MS))
        .where(col(Unsettled.hour) < from_millis(first + 2 * DAY_MS))
        .order_by(col(Unsettled.hour))
    ).all()
    if waiting:
        settling.settle_hours(session, place_id, [to_millis(hour) for hour in waiting])
    before = _derived(session, place_id, first, until)
    settling.settle_hours(session, place_id, hours, news=False)
    after = _derived(session, place_id, first, until)
    if before != after:
        _count(result, session, place_id, before, after)


Key = tuple[int, int, int]
"""Sensor, step in seconds (0: the flags of a reading), instant in ms."""


def _derived(session: Session, place_id: str, first: int, until: int) -> dict[Key, Any]:
    sensor_ids = select(Sensor.id).where(col(Sensor.place_id) == place_id)
    connection = session.connection()
    flags = connection.execute(
        select(col(Reading.sensor_id), type_coerce(col(Reading.at), BigInteger), Reading.flags)
        .where(col(Reading.sensor_id).in_(sensor_ids))
        .where(col(Reading.at) >= from_millis(first), col(Reading.at) < from_millis(until))
    )
    found: dict[Key, Any] = {(sensor_id, 0, at): flag for sensor_id, at, flag in flags}
    table = RollUp.__table__  # type: ignore[attr-defined]
    others = [column for column in table.columns if not column.primary_key]
    rolled = connection.execute(
        select(table.c.sensor_id, table.c.step_s, type_coerce(table.c.at, BigInteger), *others)
        .where(table.c.sensor_id.in_(sensor_ids))
        .where(table.c.at >= from_millis(first), table.c.at < from_millis(until))
    )
    for sensor_id, step_s, at, *values in rolled:
        found[sensor_id, step_s, at] = tuple(values)
    return found


def _count(
    result: Rebuilt,
    session: Session,
    place_id: str,
    before: dict[Key, Any],
    after: dict[Key, Any],
) -> None:
    changed = sorted(
        key
        for key in before.keys() | after.keys()
        if key not in before or key not in after or before[key] != after[key]
    )
    result.flags += sum(step_s == 0 for _, step_s, _ in changed)
    result.rollups += sum(step_s != 0 for _, step_s, _ in changed)
    for key in changed[: EXAMPLES - len(result.examples)]:
        sensor_id, step_s, at = key
        result.examples.append(
            Difference(
                place=place_id,
                sensor=session.get_one(Sensor, sensor_id).name,
                at=from_millis(at),
                what=f"roll-up of {step_s} s" if step_s else "flags",
                was=before.get(key),
                now=after.get(key),
            )
        )
