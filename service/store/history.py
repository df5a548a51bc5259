"""History of a place at any zoom: raw rows, or buckets with min, mean, max and count.

Buckets are put together from roll-ups, so that a year costs no more than a day; where a roll-up
does not hold (the ragged ends of a span, an hour still to be settled, the moment a correction
begins) the readings themselves are taken.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlmodel import Session, col, func, select

from service.shop.correction import Corrections
from service.shop.said import say
from service.store import corrections, horizon, raw, rollups
from service.store.cover import Piece, cover
from service.store.errors import BadInput
from service.store.marks import HOUR_MS, hour_of, runs
from service.store.raw import without_nan
from service.store.readings import sensors_of
from service.store.tables import CLIMATE_SCALE, Reading, Sensor, Unsettled
from service.store.types import from_millis, to_millis

__all__ = ["History", "buckets", "history", "named", "names", "step_of"]

UNIT_S = {"s": 1, "m": 60, "h": 3600, "d": 86400}
MOST_ROWS = 20_000
FINEST_S = rollups.STEPS_S[0]
LONG_MS = 48 * HOUR_MS
"""Over longer spans it is not looked up what is gone: nobody wants single readings of them."""

NICE_STEPS_S = (60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 21600, 43200, 86400, 604800)


@dataclass(frozen=True)
class History:
    """``resolution`` as it was served, and JSON-ready rows, oldest first.

    A raw row has ``at``, ``sensor``, the values as sent and as corrected, and ``flags`` by name
    (None: not assessed yet). A bucket has ``at`` (its start; buckets begin at whole steps since
    1970 UTC), ``count`` of the readings in it, ``flagged`` and ``left_out`` among all that came
    (doubtful, and impossible ones that do not count), and ``min``, ``mean`` and ``max`` of
    ``air_c`` and ``rh_pct``. ``dew_point_c`` is that of the row, or of the bucket's means; None in
    bone-dry air. Sensors whose readings of a bucket are mostly flagged count in it only where no
    other sensor reported.
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
    step_s = step_of(session, place_id, from_at, to_at, resolution, points)
    if step_s is None:
        return History("raw", _raw(session, place_id, from_at, to_at))
    if (to_at - from_at).total_seconds() / step_s > MOST_ROWS:
        raise BadInput(
            "resolution",
            say(
                "{resolution} gives more than {most_rows} rows; ask for less",
                resolution=resolution,
                most_rows=MOST_ROWS,
            ),
        )
    return History(named(step_s), buckets(session, place_id, from_at, to_at, step_s))


def step_of(
    session: Session,
    place_id: str,
    from_at: datetime,
    to_at: datetime,
    resolution: str,
    points: int,
) -> int | None:
    """Return the step [s] that a resolution comes to over a span; None: single readings.

    Raises
    ------
    BadInput
        Naming ``resolution`` or ``points``.
    """
    if not 2 <= points <= 5000:
        raise BadInput("points", say("{points} is outside 2 to 5000", points=points))
    if resolution == "auto":
        return _auto_step(session, place_id, from_at, to_at, points)
    step_s = None if resolution == "raw" else _seconds(resolution)
    if step_s is None or step_s % FINEST_S:
        _refuse_thinned(session, place_id, from_at, to_at, resolution)
    return step_s


def _seconds(resolution: str) -> int:
    found = re.fullmatch(r"([1-9]\d{0,4})([smhd])", resolution)
    if found is None:
        raise BadInput(
            "resolution",
            say("{resolution!r} is not raw, auto or a duration such as 15m", resolution=resolution),
        )
    return int(found[1]) * UNIT_S[found[2]]


def named(step_s: int | None) -> str:
    """Return a step as a resolution is written: ``15m``, ``1d``, ``raw``."""
    if step_s is None:
        return "raw"
    unit = next(u for u in ("d", "h", "m", "s") if step_s % UNIT_S[u] == 0)
    return f"{step_s // UNIT_S[unit]}{unit}"


def _auto_step(
    session: Session, place_id: str, from_at: datetime, to_at: datetime, points: int
) -> int | None:
    # Counting stops early: all that matters is whether there are more than asked for.
    sensor_ids = sensors_of(session, place_id)
    within = (
        select(col(Reading.at))
        .where(col(Reading.sensor_id).in_(sensor_ids))
        .where(col(Reading.at) >= from_at, col(Reading.at) <= to_at)
        .limit(points + 1)
        .subquery()
    )
    thinned = _may_be_thinned(session, sensor_ids, from_at, to_at)
    if not thinned and session.exec(select(func.count()).select_from(within)).one() <= points:
        return None
    # Buckets begin at whole steps since 1970, so a span may touch one more than it holds.
    least = (to_at - from_at).total_seconds() / (points - 1)
    if thinned:
        least = max(least, FINEST_S)
    return next((step for step in NICE_STEPS_S if step >= least), int(least) + 1)


def _may_be_thinned(
    session: Session, sensor_ids: Sequence[int], from_at: datetime, to_at: datetime
) -> bool:
    """Whether readings of a span may be gone; a long span that begins before the horizon counts."""
    start, end = to_millis(from_at), to_millis(to_at) + 1
    limit = horizon.horizon(session)
    if limit is None or start >= limit:
        return False
    return end - start > LONG_MS or bool(horizon.thinned(session, sensor_ids, start, end))


def _refuse_thinned(
    session: Session, place_id: str, from_at: datetime, to_at: datetime, resolution: str
) -> None:
    """Raise BadInput where something finer is asked for than is left."""
    sensor_ids = sensors_of(session, place_id)
    found = horizon.thinned(session, sensor_ids, to_millis(from_at), to_millis(to_at) + 1)
    if found:
        until = from_millis(max(max(hours) for hours in found.values()) + HOUR_MS)
        raise BadInput(
            "resolution",
            say(
                "{resolution}: before {until:%Y-%m-%d %H:%M} UTC not all single "
                "readings are kept; ask from then on, or for 5m or a multiple of it",
                resolution=resolution,
                until=until,
            ),
        )


def _raw(
    session: Session, place_id: str, from_at: datetime, to_at: datetime
) -> list[dict[str, Any]]:
    known = names(session, place_id)
    start, end = to_millis(from_at), to_millis(to_at) + 1
    found = raw.read(session, list(known), start, end, limit=MOST_ROWS + 1)
    if len(found) > MOST_ROWS:
        raise BadInput(
            "resolution",
            say(
                "raw gives more than {most_rows} rows; ask for a shorter span", most_rows=MOST_ROWS
            ),
        )
    columns = {
        "at": [from_millis(at) for at in found.at_ms.tolist()],
        "sensor": [known[sensor_id] for sensor_id in found.sensor_id.tolist()],
        **{name: without_nan(values) for name, values in found.corrected.items()},
        "dew_point_c": without_nan(found.dew_point_c()),
        "pressure_pa": without_nan(found.pressure_pa),
        "battery_pct": [None if b is None else int(b) for b in without_nan(found.battery_pct)],
        **{f"raw_{name}": without_nan(values) for name, values in found.sent.items()},
        "flags": [None if words is None else list(words) for words in found.flag_names()],
    }
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def names(session: Session, place_id: str) -> dict[int, str]:
    """Return a place's sensors by id, in the order in which they were first heard."""
    rows = session.exec(
        select(Sensor.id, Sensor.name)
        .where(col(Sensor.place_id) == place_id)
        .order_by(col(Sensor.id))
    )
    return {int(sensor_id or 0): name for sensor_id, name in rows}


def buckets(
    session: Session, place_id: str, from_at: datetime, to_at: datetime, step_s: int
) -> list[dict[str, Any]]:
    """Read buckets of so many seconds, however many; both ends of the span are included."""
    known = names(session, place_id)
    standing = corrections.standing(session, known)
    start, end = to_millis(from_at), to_millis(to_at) + 1  # `to` is included
    pieces = cover(
        start,
        end,
        [step for step in rollups.STEPS_S if step_s % step == 0],
        cuts=[round(at * 1000) for one in standing.values() for at in one.begins()],
        unsettled=_unsettled(session, place_id, start, end),
    )
    parts = [
        _part(session, ids, standing, whole, step_s)
        for piece in pieces
        for ids, whole in _there(session, list(known), piece)
    ]
    table = np.concatenate([np.empty((0, 13)), *parts])
    return _merged(table)


def _unsettled(session: Session, place_id: str, start: int, end: int) -> list[tuple[int, int]]:
    hours = session.exec(
        select(Unsettled.hour)
        .where(col(Unsettled.place_id) == place_id)
        .where(col(Unsettled.hour) > from_millis(start - HOUR_MS))
        .where(col(Unsettled.hour) < from_millis(end))
    )
    return list(runs(sorted(to_millis(hour) for hour in hours)))


def _there(
    session: Session, sensor_ids: Sequence[int], piece: Piece
) -> Iterator[tuple[Sequence[int], Piece]]:
    """Yield a piece as it can be read: where readings were thinned out, their finest roll-ups.

    Such a roll-up belongs to the piece in which it begins.
    """
    thinned = (
        horizon.thinned(session, sensor_ids, piece.start, piece.end) if piece.step_s is None else {}
    )
    whole = [sensor_id for sensor_id in sensor_ids if sensor_id not in thinned]
    if whole:
        yield whole, piece
    first, last = hour_of(piece.start), hour_of(piece.end - 1) + HOUR_MS
    for sensor_id, hours in thinned.items():
        for start, end in horizon.stretches_without(hours, first, last):
            yield [sensor_id], Piece(None, max(start, piece.start), min(end, piece.end))
        for start, end in runs(sorted(hours)):
            yield [sensor_id], Piece(FINEST_S, max(start, piece.start), min(end, piece.end))


def _part(
    session: Session,
    sensor_ids: Sequence[int],
    standing: Mapping[int, Corrections],
    piece: Piece,
    step_s: int,
) -> NDArray[np.float64]:
    """Read one piece: a row for each sensor and bucket, corrected."""
    rows = rollups.totals(session, sensor_ids, piece, step_s)
    table = np.array(rows, dtype=np.float64).reshape(-1, 13)
    for column in (AIR_MIN, AIR_SUM, AIR_MAX, RH_MIN, RH_SUM, RH_MAX, SURFACE_SUM):
        table[:, column] /= CLIMATE_SCALE
    for sensor_id, known in standing.items():
        own = table[:, SENSOR] == sensor_id
        for quantity, columns, total, count in (
            ("air_c", (AIR_MIN, AIR_MAX), AIR_SUM, COUNT),
            ("rh_pct", (RH_MIN, RH_MAX), RH_SUM, COUNT),
            ("surface_c", (), SURFACE_SUM, SURFACE_COUNT),
        ):
            slope, offset = known.line(quantity, piece.start / 1000.0)
            for column in columns:
                table[own, column] = slope * table[own, column] + offset
            table[own, total] = slope * table[own, total] + offset * table[own, count]
    return table


(SENSOR, BUCKET, COUNT, DOUBTFUL, LEFT_OUT, AIR_MIN, AIR_SUM, AIR_MAX, RH_MIN, RH_SUM, RH_MAX,
 SURFACE_COUNT, SURFACE_SUM) = range(13)  # fmt: skip


def _merged(table: NDArray[np.float64]) -> list[dict[str, Any]]:
    """Put the rows of one bucket together."""
    starts, bucket = np.unique(table[:, BUCKET], return_inverse=True)
    size = starts.size

    def total(column: int, used: NDArray[np.bool_] | None = None) -> NDArray[np.float64]:
        values = table[:, column] if used is None else np.where(used, table[:, column], 0.0)
        return np.asarray(np.bincount(bucket, values, size), dtype=np.float64)

    used = _trusted(table, bucket, size)
    count = total(COUNT, used)

    def least(column: int) -> NDArray[np.float64]:
        found = np.full(size, np.inf)
        np.minimum.at(
            found, bucket, np.where(used, np.nan_to_num(table[:, column], nan=np.inf), np.inf)
        )
        return found

    def most(column: int) -> NDArray[np.float64]:
        found = np.full(size, -np.inf)
        np.maximum.at(
            found, bucket, np.where(used, np.nan_to_num(table[:, column], nan=-np.inf), -np.inf)
        )
        return found

    air = least(AIR_MIN), total(AIR_SUM, used) / np.maximum(count, 1), most(AIR_MAX)
    rh = [
        np.clip(values, 0.0, 100.0)
        for values in (least(RH_MIN), total(RH_SUM, used) / np.maximum(count, 1), most(RH_MAX))
    ]
    surfaces = total(SURFACE_COUNT, used)
    surface = np.where(surfaces > 0, total(SURFACE_SUM, used) / np.maximum(surfaces, 1), np.nan)
    flagged, left_out = total(DOUBTFUL), total(LEFT_OUT)
    whole = zip(*(x.astype(int).tolist() for x in (starts, count, flagged, left_out)), strict=True)
    dew_points = without_nan(raw.dew_points(air[1], rh[1]))
    values = zip(*(x.tolist() for x in (*air, *rh)), without_nan(surface), dew_points, strict=True)
    return [
        {
            "at": from_millis(start),
            "count": there,
            "flagged": doubtful,
            "left_out": impossible,
            "air_c": {"min": a_min, "mean": a_mean, "max": a_max},
            "rh_pct": {"min": r_min, "mean": r_mean, "max": r_max},
            "surface_c": surface_c,
            "dew_point_c": dew_point_c,
        }
        for (start, there, doubtful, impossible), (
            a_min, a_mean, a_max, r_min, r_mean, r_max, surface_c, dew_point_c,
        ) in zip(whole, values, strict=True)
        if there
    ]  # fmt: skip


def _trusted(table: NDArray[np.float64], bucket: NDArray[np.intp], size: int) -> NDArray[np.bool_]:
    """Whether a row counts: its sensor is mostly free of flags in the bucket, or none is."""
    _, own = np.unique(table[:, [BUCKET, SENSOR]], axis=0, return_inverse=True)
    own = own.reshape(-1)
    count = np.bincount(own, table[:, COUNT])[own] if own.size else table[:, COUNT]
    doubtful = np.bincount(own, table[:, DOUBTFUL])[own] if own.size else table[:, COUNT]
    clean = (count > 0) & (2 * doubtful < count)
    any_clean = np.bincount(bucket, clean, size) > 0
    return clean | ~any_clean[bucket]
