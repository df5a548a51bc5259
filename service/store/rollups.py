"""Roll-ups: five minutes, an hour, six hours and a day of one sensor in one row each."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from itertools import pairwise
from typing import Any

from sqlalchemy import (
    BigInteger,
    BindParameter,
    ColumnElement,
    Delete,
    Insert,
    Select,
    bindparam,
    case,
    delete,
    type_coerce,
)
from sqlalchemy import insert as insert_into
from sqlalchemy import select as select_columns
from sqlmodel import Session, col, func

from service.shop.quality import NOT_COUNTED
from service.store.cover import Piece
from service.store.horizon import Thinned, stretches_without
from service.store.tables import Reading, RollUp

__all__ = ["STEPS_S", "make", "totals"]

STEPS_S = (300, 3600, 21_600, 86_400)
"""Spans of a roll-up, in seconds; each divides the next, and all begin at whole ones since 1970."""

COLUMNS = (
    "sensor_id", "at", "count", "doubtful", "left_out",
    "air_min", "air_sum", "air_max", "rh_min", "rh_sum", "rh_max", "surface_count", "surface_sum",
    "step_s",
)  # fmt: skip


def make(
    session: Session,
    sensor_ids: Sequence[int],
    first_ms: int,
    last_ms: int,
    thinned: Thinned | None = None,
) -> None:
    """Make the roll-ups of sensors anew from ``first_ms`` until before ``last_ms``, whole hours.

    In ``thinned`` hours the finest ones stay as they are, and the coarser are made of those.
    """
    gone = thinned or {}
    whole = [sensor_id for sensor_id in sensor_ids if sensor_id not in gone]
    _make(session, whole, STEPS_S[0], first_ms, last_ms, None)
    for sensor_id, hours in gone.items():
        for first, last in stretches_without(hours, first_ms, last_ms):
            _make(session, [sensor_id], STEPS_S[0], first, last, None)
    for finer, step_s in pairwise(STEPS_S):
        step_ms = step_s * 1000
        first, last = first_ms - first_ms % step_ms, -(-last_ms // step_ms) * step_ms
        _make(session, sensor_ids, step_s, first, last, finer)


def totals(
    session: Session, sensor_ids: Sequence[int], piece: Piece, step_s: int
) -> list[tuple[Any, ...]]:
    """Read a piece in buckets of ``step_s``: sensor, start in ms, then the columns from count on.

    Values are the whole parts they are kept in.
    """
    # Built once and compiled once: putting a statement together costs more than running it.
    rows = session.connection().execute(
        _reading_totals() if piece.step_s is None else _roll_up_totals(),
        _terms(sensor_ids, step_s, piece.start, piece.end, piece.step_s),
    )
    return [tuple(row) for row in rows]


def _make(
    session: Session,
    sensor_ids: Sequence[int],
    step_s: int,
    first_ms: int,
    last_ms: int,
    finer_s: int | None,
) -> None:
    connection = session.connection()
    connection.execute(_removal(), _terms(sensor_ids, step_s, first_ms, last_ms, None))
    connection.execute(
        _insertion(of_readings=finer_s is None),
        _terms(sensor_ids, step_s, first_ms, last_ms, finer_s),
    )


def _terms(
    sensor_ids: Sequence[int], step_s: int, first_ms: int, last_ms: int, finer_s: int | None
) -> dict[str, Any]:
    terms: dict[str, Any] = {
        "sensors": list(sensor_ids),
        "step": step_s,
        "step_ms": step_s * 1000,
        "first": first_ms,
        "last": last_ms,
    }
    return terms if finer_s is None else terms | {"finer": finer_s}


def _number(name: str) -> BindParameter[int]:
    return bindparam(name, type_=BigInteger)


def _within(table: type[Reading | RollUp]) -> tuple[ColumnElement[bool], ...]:
    at = type_coerce(col(table.at), BigInteger)
    return (
        col(table.sensor_id).in_(bindparam("sensors", expanding=True)),
        at >= _number("first"),
        at < _number("last"),
    )


@cache
def _removal() -> Delete:
    return delete(RollUp).where(*_within(RollUp), col(RollUp.step_s) == _number("step"))


@cache
def _insertion(*, of_readings: bool) -> Insert:
    query = _reading_totals() if of_readings else _roll_up_totals()
    return insert_into(RollUp).from_select(COLUMNS, query.add_columns(_number("step")))


@cache
def _reading_totals() -> Select[Any]:
    """Totals of each sensor and span of readings."""
    return _totals(Reading, _of_readings())


@cache
def _roll_up_totals() -> Select[Any]:
    """Totals of each sensor and span of finer roll-ups."""
    return _totals(RollUp, _of_rollups()).where(col(RollUp.step_s) == _number("finer"))


def _totals(table: type[Reading | RollUp], columns: Sequence[Any]) -> Select[Any]:
    at = type_coerce(col(table.at), BigInteger)
    start = (at - at % _number("step_ms")).label("start")
    return (
        select_columns(col(table.sensor_id), start, *columns)
        .where(*_within(table))
        .group_by(col(table.sensor_id), start)
    )


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
