"""History of a place at any zoom: raw rows, or buckets with min, mean, max and count."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
from sqlalchemy import BigInteger, cast, func
from sqlalchemy import select as select_columns
from sqlmodel import Session, col, select

from service.science import air as moist
from service.store.errors import BadInput
from service.store.readings import sensors_of
from service.store.tables import Reading, Sensor
from service.store.types import from_millis

__all__ = ["History", "history"]

UNIT_S = {"s": 1, "m": 60, "h": 3600, "d": 86400}
MOST_ROWS = 20_000
NICE_STEPS_S = (60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 21600, 43200, 86400, 604800)


@dataclass(frozen=True)
class History:
    """``resolution`` as it was served, and JSON-ready rows, oldest first.

    A raw row has ``at``, ``sensor`` and the values as sent and as corrected. A bucket has ``at``
    (its start; buckets begin at whole steps since 1970 UTC), ``count``, and ``min``, ``mean`` and
    ``max`` of ``air_c`` and ``rh_pct``. ``dew_point_c`` is that of the row, or of the bucket's
    means; None in bone-dry air.
    """

    resolution: str
    rows: list[dict[str, Any]]


def history(
    session: Session,
    place_id: str,
    from_at: datetime,
    to_at: datetime,
    *,
    resolution: str = "auto",
    points: int = 600,
) -> History:
    """Read a place's history.

    Parameters
    ----------
    resolution : str
        ``raw``; a duration such as ``15m``, ``1h`` or ``1d``; or ``auto``: at most ``points``
        buckets, raw where that many readings or fewer lie in the span.
    points : int
        2 to 5000.

    Raises
    ------
    BadInput
        Naming ``resolution`` or ``points``.
    """
    if not 2 <= points <= 5000:
        raise BadInput("points", f"{points} is outside 2 to 5000")
    if resolution == "auto":
        step_s = _auto_step(session, place_id, from_at, to_at, points)
    elif resolution == "raw":
        step_s = None
    else:
        step_s = _seconds(resolution)
    if step_s is None:
        return History("raw", _with_dew_points(_raw(session, place_id, from_at, to_at)))
    if (to_at - from_at).total_seconds() / step_s > MOST_ROWS:
        raise BadInput("resolution", f"{resolution} gives more than {MOST_ROWS} rows; ask for less")
    rows = _buckets(session, place_id, from_at, to_at, step_s)
    return History(_named(step_s), _with_dew_points(rows))


def _seconds(resolution: str) -> int:
    found = re.fullmatch(r"([1-9]\d{0,4})([smhd])", resolution)
    if found is None:
        raise BadInput("resolution", f"{resolution!r} is not raw, auto or a duration such as 15m")
    return int(found[1]) * UNIT_S[found[2]]


def _named(step_s: int) -> str:
    unit = next(u for u in ("d", "h", "m", "s") if step_s % UNIT_S[u] == 0)
    return f"{step_s // UNIT_S[unit]}{unit}"


def _auto_step(
    session: Session, place_id: str, from_at: datetime, to_at: datetime, points: int
) -> int | None:
    # Counting stops early: all that matters is whether there are more than asked for.
    within = (
        select(col(Reading.at))
        .where(col(Reading.sensor_id).in_(sensors_of(session, place_id)))
        .where(col(Reading.at) >= from_at, col(Reading.at) <= to_at)
        .limit(points + 1)
        .subquery()
    )
    if session.exec(select(func.count()).select_from(within)).one() <= points:
        return None
    # Buckets begin at whole steps since 1970, so a span may touch one more than it holds.
    least = (to_at - from_at).total_seconds() / (points - 1)
    return next((step for step in NICE_STEPS_S if step >= least), int(least) + 1)


def _raw(
    session: Session, place_id: str, from_at: datetime, to_at: datetime
) -> list[dict[str, Any]]:
    rows = session.exec(
        select(Reading, col(Sensor.name))
        .join(Sensor, col(Sensor.id) == col(Reading.sensor_id))
        .where(col(Reading.sensor_id).in_(sensors_of(session, place_id)))
        .where(col(Reading.at) >= from_at, col(Reading.at) <= to_at)
        .order_by(col(Reading.at), col(Reading.sensor_id))
        .limit(MOST_ROWS + 1)
    ).all()
    if len(rows) > MOST_ROWS:
        raise BadInput(
            "resolution", f"raw gives more than {MOST_ROWS} rows; ask for a shorter span"
        )
    return [
        {
            "at": row.at,
            "sensor": sensor,
            "air_c": row.air_c,
            "rh_pct": row.rh_pct,
            "surface_c": row.surface_c,
            "pressure_pa": row.pressure_pa,
            "raw_air_c": row.raw_air_c,
            "raw_rh_pct": row.raw_rh_pct,
        }
        for row, sensor in rows
    ]


def _buckets(
    session: Session, place_id: str, from_at: datetime, to_at: datetime, step_s: int
) -> list[dict[str, Any]]:
    step_ms = step_s * 1000
    at_ms = cast(col(Reading.at), BigInteger)
    start = at_ms - at_ms % step_ms
    rows = session.connection().execute(
        select_columns(
            start,
            func.count(),
            *(f(col(Reading.air_c)) for f in (func.min, func.avg, func.max)),
            *(f(col(Reading.rh_pct)) for f in (func.min, func.avg, func.max)),
            func.avg(col(Reading.surface_c)),
        )
        .where(col(Reading.sensor_id).in_(sensors_of(session, place_id)))
        .where(col(Reading.at) >= from_at, col(Reading.at) <= to_at)
        .group_by(start)
        .order_by(start)
    )
    return [
        {
            "at": from_millis(int(row[0])),
            "count": int(row[1]),
            "air_c": {"min": row[2], "mean": row[3], "max": row[4]},
            "rh_pct": {"min": row[5], "mean": row[6], "max": row[7]},
            "surface_c": row[8],
        }
        for row in rows
    ]


def _with_dew_points(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Add the dew point of each row's (mean) air; None where the air is bone-dry."""

    def mean(row: dict[str, Any], name: str) -> float:
        value = row[name]
        return float(value["mean"] if isinstance(value, dict) else value)

    damp = [row for row in rows if mean(row, "rh_pct") > 0.0]
    dew_points: dict[int, float] = {}
    if damp:
        air_c = np.array([mean(row, "air_c") for row in damp])
        rh_pct = np.array([mean(row, "rh_pct") for row in damp])
        found = np.asarray(moist.dew_point(air_c, rh_pct))
        dew_points = {id(row): float(dew) for row, dew in zip(damp, found, strict=True)}
    return [row | {"dew_point_c": dew_points.get(id(row))} for row in rows]
