"""The course of one sensor: what it sent, what that is taken for, and what was wrong with it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
from sqlalchemy import BigInteger, literal_column
from sqlmodel import Session, col, func, select, type_coerce

from service.shop.quality import NOT_COUNTED, Flag, names_of
from service.store import corrections
from service.store.tables import CLIMATE_SCALE, Reading
from service.store.types import from_millis

__all__ = ["SensorPoint", "sensor_course"]

HIDDEN = NOT_COUNTED & ~Flag.AWAY
"""Readings that cannot be right tell nothing of a mean; those of a jar tell of the jar."""


@dataclass(frozen=True)
class SensorPoint:
    """Readings of one span that share their flags, as means.

    ``flags`` by name; ``counted`` is False for readings that cannot be right.
    """

    at: datetime
    count: int
    flags: tuple[str, ...]
    counted: bool
    raw_air_c: float
    raw_rh_pct: float
    air_c: float
    rh_pct: float


def sensor_course(
    session: Session, sensor_id: int, from_at: datetime, to_at: datetime, step_s: int
) -> list[SensorPoint]:
    """Read a sensor's own course in spans of ``step_s``, oldest first, flagged readings apart."""
    at = type_coerce(Reading.at, BigInteger)
    start = at - at % (step_s * 1000)
    flags = func.coalesce(Reading.flags, literal_column("0"))
    columns: list[Any] = [
        start,
        flags,
        func.count(),
        func.avg(at),
        *(func.avg(type_coerce(c, BigInteger)) for c in (Reading.raw_air_c, Reading.raw_rh_pct)),
    ]
    rows = session.connection().execute(
        select(*columns)
        .where(col(Reading.sensor_id) == sensor_id)
        .where(col(Reading.at) >= from_at, col(Reading.at) <= to_at)
        .group_by(start, flags)
        .order_by(start, flags)
    )
    table = np.array([tuple(row) for row in rows], dtype=np.float64).reshape(-1, 6)
    time_s = table[:, 3] / 1000.0
    raw_air, raw_rh = table[:, 4] / CLIMATE_SCALE, table[:, 5] / CLIMATE_SCALE
    known = corrections.standing(session, [sensor_id])[sensor_id]
    air = known.apply("air_c", time_s, raw_air).tolist()
    rh = known.apply("rh_pct", time_s, raw_rh).tolist()
    return [
        SensorPoint(
            at=from_millis(round(row[3])),
            count=int(row[2]),
            flags=names_of(int(row[1])),
            counted=not int(row[1]) & HIDDEN,
            raw_air_c=float(raw_air[i]),
            raw_rh_pct=float(raw_rh[i]),
            air_c=air[i],
            rh_pct=rh[i],
        )
        for i, row in enumerate(table.tolist())
    ]
