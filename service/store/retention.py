"""How long readings are kept: old ones go in small bites, their roll-ups and all evidence stay.

Evidence is the air that a coat lived through: from a day before it, in its place, and for sixty
days after it wherever the instrument hung; of the last coat of an instrument that is still under
way, without end. The drying clock and a flaw found later rest on those readings.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime, timedelta

from sqlalchemy import delete
from sqlmodel import Session, col, func, select

from service.clock import Clock
from service.shop.quality import REACH_AHEAD_S, REACH_BACK_S
from service.store import horizon, marks
from service.store.db import Database
from service.store.marks import HOUR_MS, hour_of
from service.store.tables import Coat, Hanging, Instrument, Reading, Sensor, Unsettled
from service.store.types import from_millis, to_millis

__all__ = ["Retention", "evidence_of", "thin"]

BEFORE_COAT = timedelta(days=1)
"""The air before a coat that tells how it went on. Chosen: the wood took the air of that day."""

AFTER_COAT = timedelta(days=60)
"""How long after a coat its air is evidence. Chosen: lacquer shrinks back for weeks, and a flaw
shows at the latest when it is rubbed out and strung up."""

BITE_MS = 24 * HOUR_MS
"""A day of one sensor goes at a time, so that intake never waits long for its turn."""

NEVER_MS = 1 << 62

Spans = Mapping[str, Sequence[tuple[int, int]]]
"""Place to stretches (start, end in ms), whole hours, in order and apart."""


class Retention:
    """Thins the readings out once a day of the shop's clock, one bite at each :meth:`step`.

    Parameters
    ----------
    keep_days : int or None
        Readings older than this go; None: none ever does.
    """

    def __init__(self, db: Database, clock: Clock, keep_days: int | None) -> None:
        self._db, self._clock, self.keep_days = db, clock, keep_days
        self._bites: Iterator[int] = iter(())
        self._begun_on: object = None

    def step(self) -> int:
        """Take the next bite, if one is due; returns how many readings went."""
        if self.keep_days is None:
            return 0
        now = self._clock.now()
        try:
            gone = next(self._bites, None)
            if gone is None and now.date() != self._begun_on:
                self._begun_on = now.date()
                self._bites = thin(self._db, now, self.keep_days)
                gone = next(self._bites, None)
        except Exception:
            self._begun_on = None  # begun anew at the next step, and told until it goes
            raise
        return gone or 0


def thin(db: Database, now: datetime, keep_days: int) -> Iterator[int]:
    """Thin out what is older than so many days before ``now``; yields readings gone, a bite each.

    Each bite is a transaction. What is not settled, or not wholly in its roll-ups, stays.
    """
    with db.write() as session:
        until_ms = _limit(session, now, keep_days)
        if until_ms is None:
            return
        kept = evidence_of(session)
        sensors = [(int(s.id or 0), s.place_id) for s in session.exec(select(Sensor))]
        horizon.move_horizon(session, until_ms)
    for sensor_id, place_id in sensors:
        for start, end in _between(kept.get(place_id, ()), until_ms):
            at: int | None = start
            while at is not None:
                with db.write() as session:
                    at, gone = _bite(session, sensor_id, place_id, at, end)
                if gone:
                    yield gone


def evidence_of(session: Session) -> Spans:
    """Return the stretches whose readings are evidence, by place."""
    spans: dict[str, list[tuple[int, int]]] = defaultdict(list)
    under_way = set(session.exec(select(Instrument.id).where(col(Instrument.closed_at).is_(None))))
    hangings = session.exec(
        select(Hanging).where(col(Hanging.undone_at).is_(None)).order_by(col(Hanging.from_at))
    ).all()
    coats = session.exec(
        select(Coat).where(col(Coat.undone_at).is_(None)).order_by(col(Coat.at))
    ).all()
    last = {coat.instrument_id: coat.id for coat in coats}
    for coat in coats:
        open_end = coat.instrument_id in under_way and last[coat.instrument_id] == coat.id
        start, until = to_millis(coat.at), to_millis(coat.at + AFTER_COAT)
        until = NEVER_MS if open_end else until
        spans[coat.place_id].append((to_millis(coat.at - BEFORE_COAT), start + HOUR_MS))
        own = [h for h in hangings if h.instrument_id == coat.instrument_id]
        ends = [to_millis(h.from_at) for h in own[1:]] + [NEVER_MS]
        for number, (hanging, end) in enumerate(zip(own, ends, strict=True)):
            # Before its first hanging it hung where it was hung first.
            begin = to_millis(hanging.from_at) if number else 0
            spans[hanging.place_id].append((max(begin - HOUR_MS, start), min(end, until)))
    return {place: _joined(found) for place, found in spans.items()}


def _joined(spans: Sequence[tuple[int, int]]) -> list[tuple[int, int]]:
    """Widen stretches to whole hours and join those that touch."""
    found: list[tuple[int, int]] = []
    for start, end in sorted(spans):
        if start >= end:
            continue
        lo, hi = hour_of(start), hour_of(end - 1) + HOUR_MS
        if found and lo <= found[-1][1]:
            found[-1] = (found[-1][0], max(found[-1][1], hi))
        else:
            found.append((lo, hi))
    return found


def _between(kept: Sequence[tuple[int, int]], until_ms: int) -> list[tuple[int, int]]:
    """Return the stretches before ``until_ms`` that are not kept."""
    found, at = [], 0
    for start, end in kept:
        if at < min(start, until_ms):
            found.append((at, min(start, until_ms)))
        at = max(at, end)
    if at < until_ms:
        found.append((at, until_ms))
    return found


def _limit(session: Session, now: datetime, keep_days: int) -> int | None:
    newest = session.exec(select(func.max(Reading.at))).one()
    if newest is None:
        return None
    # A clock that has leapt ahead must not cost the record: the readings themselves tell the time.
    keep = max(timedelta(days=keep_days), horizon.LEAST_KEPT)
    return hour_of(to_millis(min(now, newest) - keep))


def _bite(
    session: Session, sensor_id: int, place_id: str, at: int, end: int
) -> tuple[int | None, int]:
    """Take one bite from ``at`` on; returns where to go on (None: nothing is left), and how many.

    Hours stay that settling still needs, and hours that their roll-up does not tell wholly: those
    are marked, to be settled once more.
    """
    first = session.exec(
        select(func.min(Reading.at)).where(
            col(Reading.sensor_id) == sensor_id,
            col(Reading.at) >= from_millis(at),
            col(Reading.at) < from_millis(end),
        )
    ).one()
    if first is None:
        return None, 0
    start = hour_of(to_millis(first))
    stop = min(start + BITE_MS, end)
    untold = horizon.untold(session, sensor_id, start, stop)
    marks.mark(session, {(place_id, hour) for hour in untold})
    gone = 0
    for lo, hi in horizon.stretches_without(
        _busy_hours(session, place_id, start, stop), start, stop
    ):
        gone += (
            session.connection()
            .execute(
                delete(Reading).where(
                    col(Reading.sensor_id) == sensor_id,
                    col(Reading.at) >= from_millis(lo),
                    col(Reading.at) < from_millis(hi),
                )
            )
            .rowcount
        )
    return stop, gone


def _busy_hours(session: Session, place_id: str, start: int, stop: int) -> set[int]:
    """Hours whose readings some unsettled hour of the place still has to look at."""
    back, ahead = round(REACH_BACK_S * 1000), round(REACH_AHEAD_S * 1000)
    # What is touched within an hour bears on flags from `ahead` before it to `back` after it, and
    # those in turn on readings as far again.
    reach = back + ahead
    hours = session.exec(
        select(Unsettled.hour)
        .where(col(Unsettled.place_id) == place_id)
        .where(col(Unsettled.hour) > from_millis(start - reach - HOUR_MS))
        .where(col(Unsettled.hour) < from_millis(stop + reach))
    )
    waiting = [to_millis(hour) for hour in hours]
    return {
        hour
        for hour in range(start, stop, HOUR_MS)
        if any(w - reach < hour + HOUR_MS and hour < w + HOUR_MS + reach for w in waiting)
    }
