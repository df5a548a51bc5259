"""Roll-ups: five minutes, an hour, six hours and a day of one sensor in one row each."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sqlalchemy import BigInteger, Integer, Select, case, delete, type_coerce
from sqlalchemy import insert as insert_into
from sqlalchemy import select as select_columns
from sqlmodel import Session, col, func

from service.shop.quality import NOT_COUNTED
from service.store.cover import Piece
from service.store.tables import Reading, RollUp
from service.store.types import from_millis

__all__ = ["STEPS_S", "make", "totals"]

STEPS_S = (300, 3600, 21_600, 86_400)
"""Spans of a roll-up, in seconds; each divides the next, and all begin at whole ones since 1970."""

COLUMNS = (
    "sensor_id", "at", "count", "doubtful", "left_out",
    "air_min", "air_sum", "air_max", "rh_min", "rh_sum", "rh_max", "surface_count", "surface_sum",
    "step_s",
)  # fmt: skip


def make(session: Session, sensor_ids: Sequence[int], first_ms: int, last_ms: int) -> None:
    """Make the roll-ups of sensors anew from ``first_ms`` until before ``last_ms``, whole hours."""
    finer = None
    for step_s in STEPS_S:
        step_ms = step_s * 1000
        first, last = first_ms - first_ms % step_ms, -(-last_ms // step_ms) * step_ms
        _make(session, sensor_ids, step_s, first, last, finer)
        finer = step_s


def totals(
    session: Session, sensor_ids: Sequence[int], piece: Piece, step_s: int
) -> list[tuple[Any, ...]]:
    """Read a piece in buckets of ``step_s``: sensor, start in ms, then the columns from count on.

    Values are the whole parts they are kept in.
    """
    query = _query(sensor_ids, step_s, piece.start, piece.end, piece.step_s)
    return [tuple(row) for row in session.connection().execute(query)]


def _make(
    session: Session,
    sensor_ids: Sequence[int],
    step_s: int,
    first_ms: int,
    last_ms: int,
    from_step_s: int | None,
) -> None:
    connection = session.connection()
    connection.execute(
        delete(RollUp)
        .where(col(RollUp.sensor_id).in_(sensor_ids), col(RollUp.step_s) == step_s)
        .where(col(RollUp.at) >= from_millis(first_ms), col(RollUp.at) < from_millis(last_ms))
    )
    query = _query(sensor_ids, step_s, first_ms, last_ms, from_step_s)
    connection.execute(
        insert_into(RollUp).from_select(
            COLUMNS, query.add_columns(type_coerce(step_s, Integer).label("step_s"))
        )
    )


def _query(
    sensor_ids: Sequence[int], step_s: int, first_ms: int, last_ms: int, from_step_s: int | None
) -> Select[Any]:
    """Totals of each sensor and span of ``step_s``, of readings or of finer roll-ups."""
    table = Reading if from_step_s is None else RollUp
    at = type_coerce(col(table.at), BigInteger)
    start = at - at % (step_s * 1000)
    query = (
        select_columns(
            col(table.sensor_id), start, *(_of_readings() if from_step_s is None else _of_rollups())
        )
        .where(col(table.sensor_id).in_(sensor_ids))
        .where(col(table.at) >= from_millis(first_ms), col(table.at) < from_millis(last_ms))
        .group_by(col(table.sensor_id), start)
    )
    return query if from_step_s is None else query.where(col(RollUp.step_s) == from_step_s)


def _of_readings() -> list[Any]:
    flags = func.coalesce(col(Reading.flags), 0)
    good = flags.bitwise_and(int(NOT_COUNTED)) == 0

    def value(column: Any) -> Any:
        return case((good, type_coerce(column, BigInteger)))

    air, rh = value(Reading.raw_air_c), value(Reading.raw_rh_pct)
    surface = value(Reading.surface_c)
    return [
        func.sum(case((good, 1), else_=0)),
        func.sum(case((good & (flags != 0), 1), else_=0)),
        func.sum(case((good, 0), else_=1)),
        func.min(air), func.coalesce(func.sum(air), 0), func.max(air),
        func.min(rh), func.coalesce(func.sum(rh), 0), func.max(rh),
        func.count(surface), func.coalesce(func.sum(surface), 0),
    ]  # fmt: skip


def _of_rollups() -> list[Any]:
    return [
        func.sum(RollUp.count), func.sum(RollUp.doubtful), func.sum(RollUp.left_out),
        func.min(RollUp.air_min), func.sum(RollUp.air_sum), func.max(RollUp.air_max),
        func.min(RollUp.rh_min), func.sum(RollUp.rh_sum), func.max(RollUp.rh_max),
        func.sum(RollUp.surface_count), func.sum(RollUp.surface_sum),
    ]  # fmt: skip
