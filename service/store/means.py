"""Means of readings over spans of time, by sensor; what has long been settled is read once."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import BigInteger, ColumnElement, case, cast, func, or_
from sqlmodel import Session, col, select

from service.shop.quality import NOT_COUNTED
from service.store import marks
from service.store.memo import kept, past_of
from service.store.tables import Reading, RollUp, Unsettled
from service.store.types import from_millis

__all__ = ["Span", "counted", "means_of", "span_of"]

HOUR_S = marks.HOUR_MS // 1000


class Span(NamedTuple):
    """From when to when (ms since 1970, both included) something is read, and in which steps.

    ``cut`` lies on an hour: what came before is not read anew at each reading. ``last`` is not
    after the newest reading, so that it stays the same until there is another.
    """

    first: int
    cut: int
    last: int
    step_ms: int


def counted() -> ColumnElement[bool]:
    """Whether a reading may be counted: nothing known says that it cannot be right."""
    return or_(col(Reading.flags).is_(None), col(Reading.flags).bitwise_and(int(NOT_COUNTED)) == 0)


def span_of(
    session: Session, place_id: str, sensor_ids: Sequence[int], first: int, last: int, step_ms: int
) -> Span:
    """Return what is to be read of a place from one instant to another (ms since 1970)."""
    cut = marks.hour_of(last) - marks.HOUR_MS
    newest = kept(session, ("newest", place_id, cut), lambda: _newest(session, sensor_ids, cut))
    # All that there is until now is the same a moment later; a span that ended before is its own.
    return Span(first, cut, min(newest, last), step_ms)


def means_of(
    session: Session, place_id: str, sensor_ids: Sequence[int], span: Span
) -> NDArray[np.float64]:
    """Read means by sensor and step: sensor, step, doubt, count, instant, then the values as kept.

    What came before the last hour or two is kept from one new reading to the next for as long as
    it is what it was.
    """
    first, cut, end, step_ms = span
    past = past_of(session)
    if past is None or marks.HOUR_MS % step_ms:
        return _means(session, sensor_ids, first, end, step_ms)
    begun = max(first, cut)
    rest = kept(
        session,
        ("rest", place_id, begun, end, step_ms),
        lambda: _means(session, sensor_ids, begun, end, step_ms),
    )
    if begun == first:
        return rest
    mark = kept(
        session,
        ("past", place_id, first, cut),
        lambda: _settled_mark(session, place_id, sensor_ids, first, cut),
    )

    def read() -> NDArray[np.float64]:
        return _means(session, sensor_ids, first, cut - 1, step_ms)

    before = read() if mark is None else past.get((place_id, first, cut, step_ms), mark, read)
    return np.concatenate([before, rest])


def _newest(session: Session, sensor_ids: Sequence[int], since: int) -> int:
    """Return the instant of the newest reading, or ``since`` where none came later."""
    found = session.exec(
        select(func.max(cast(col(Reading.at), BigInteger)))
        .where(col(Reading.sensor_id).in_(sensor_ids))
        .where(col(Reading.at) >= from_millis(since))
    ).one()
    return since if found is None else int(found)


def _settled_mark(
    session: Session, place_id: str, sensor_ids: Sequence[int], first: int, cut: int
) -> tuple[object, ...] | None:
    """Return what changes whenever a reading of some hours does; None: they are to be settled.

    Whatever adds, flags or takes out a reading has its hour settled anew in the same or a later
    transaction, and the roll-up of the hour says how many readings it has, how many are doubtful or
    left out, and their sums in whole parts. (Thinning changes no roll-up, and no air.)
    """
    begun = marks.hour_of(first)
    open_hours = session.exec(
        select(func.count())
        .select_from(Unsettled)
        .where(col(Unsettled.place_id) == place_id)
        .where(col(Unsettled.hour) >= from_millis(begun), col(Unsettled.hour) < from_millis(cut))
    ).one()
    if open_hours:
        return None
    hour = cast(col(RollUp.at), BigInteger) // marks.HOUR_MS
    weight = hour % 1009 + 7 * col(RollUp.sensor_id)  # so that no two hours can change places
    sums = (
        RollUp.count, RollUp.doubtful, RollUp.left_out, RollUp.air_min, RollUp.air_sum,
        RollUp.air_max, RollUp.rh_min, RollUp.rh_sum, RollUp.rh_max, RollUp.surface_count,
        RollUp.surface_sum,
    )  # fmt: skip
    row = session.connection().execute(
        select(func.count(), *(func.sum(cast(col(c), BigInteger) * weight) for c in sums))
        .where(col(RollUp.sensor_id).in_(sensor_ids), col(RollUp.step_s) == HOUR_S)
        .where(col(RollUp.at) >= from_millis(begun), col(RollUp.at) < from_millis(cut))
    )
    return tuple(row.one())


def _means(
    session: Session, sensor_ids: Sequence[int], first: int, last: int, step_ms: int
) -> NDArray[np.float64]:
    at_ms = cast(col(Reading.at), BigInteger)
    bucket = at_ms - at_ms % step_ms
    doubtful = case((col(Reading.flags) > 0, 1), else_=0)
    rows = session.connection().execute(
        select(
            col(Reading.sensor_id),
            bucket,
            doubtful,
            func.count(),
            *(func.avg(cast(c, BigInteger)) for c in (
                Reading.at, Reading.raw_air_c, Reading.raw_rh_pct, Reading.surface_c,
            )),
        )
        .where(col(Reading.sensor_id).in_(sensor_ids))
        .where(col(Reading.at) >= from_millis(first), col(Reading.at) <= from_millis(last))
        .where(counted())
        .group_by(col(Reading.sensor_id), bucket, doubtful)
    )  # fmt: skip
    # NumPy makes NaN of None.
    return np.array([tuple(row) for row in rows], dtype=np.float64).reshape(-1, 8)
