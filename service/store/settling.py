"""Settling: flags and roll-ups reckoned anew for the hours that readings have touched.

Everything here follows from the readings, the corrections and nothing else, so it comes out the
same in whatever order readings came, and may be done again at any time.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import BigInteger, bindparam, delete, type_coerce, update
from sqlmodel import Session, col, func, select

from service.shop.correction import Corrections
from service.shop.quality import REACH_AHEAD_S, REACH_BACK_S, Course, Flag, flags_of
from service.store import absences, corrections, horizon, marks, rollups, verdict_marks
from service.store.db import Database
from service.store.tables import CLIMATE_SCALE, PRESSURE_SCALE, Reading, Sensor, Unsettled
from service.store.types import from_millis, to_millis

__all__ = ["settle", "settle_all", "settle_hours", "unsettled_hours"]

HOURS_AT_ONCE = 48
"""Hours settled in one transaction, so that intake never waits long for its turn."""

UNASSESSED = -1

REACH_MS = 24 * marks.HOUR_MS
"""More than flags and the roll-ups of what they change reach beyond the hours touched."""


@dataclass(frozen=True)
class _Rows:
    """Readings of one sensor over a span, oldest first, as they are kept."""

    at_ms: NDArray[np.int64]
    values: NDArray[np.float64]  # delay, air, RH, pressure, battery
    flags: NDArray[np.int64]


def settle(session: Session, after: str = "") -> frozenset[str]:
    """Settle some of what is marked, newest first; returns the places that were settled.

    Places have their turns, the one that follows ``after`` first, so that one which is marked again
    and again does not keep the others waiting. Nothing is marked any more where the answer is
    empty.
    """
    marked = session.exec(
        select(Unsettled.place_id, func.max(Unsettled.hour))
        .group_by(col(Unsettled.place_id))
        .order_by(col(Unsettled.place_id))
    ).all()
    if not marked:
        return frozenset()
    place_id, newest = next((row for row in marked if row[0] > after), marked[0])
    last = to_millis(newest)
    first = last - (HOURS_AT_ONCE - 1) * marks.HOUR_MS
    settle_hours(session, place_id, _marked(session, place_id, first, last))
    return frozenset({place_id})


def settle_all(db: Database, *, progress: Callable[[int], None] | None = None) -> frozenset[str]:
    """Settle everything that is marked, a transaction for a few hours each.

    ``progress`` is told after each how many hours are left.
    """
    settled: set[str] = set()
    while True:
        with db.write() as session:
            places = settle(session)
            left = unsettled_hours(session) if progress else 0
        if not places:
            return frozenset(settled)
        settled |= places
        if progress:
            progress(left)


def unsettled_hours(session: Session) -> int:
    """How many hours of places wait."""
    return int(session.exec(select(func.count()).select_from(Unsettled)).one())


def _marked(session: Session, place_id: str, first: int, last: int) -> list[int]:
    hours = session.exec(
        select(Unsettled.hour)
        .where(col(Unsettled.place_id) == place_id)
        .where(col(Unsettled.hour) >= from_millis(first))
        .where(col(Unsettled.hour) <= from_millis(last))
        .order_by(col(Unsettled.hour))
    )
    return [to_millis(hour) for hour in hours]


def settle_hours(
    session: Session, place_id: str, hours: Sequence[int], *, news: bool = True
) -> None:
    """Settle these hours of a place (starts in ms, in order), marked or not.

    Without ``news`` nothing is marked that rests on them: they are settled once more as they were.
    """
    sensors = session.exec(select(Sensor).where(col(Sensor.place_id) == place_id)).all()
    by_id = {int(s.id or 0): s for s in sensors}
    standing = corrections.standing(session, by_id)
    away = absences.of(session, sensors)
    thinned = horizon.thinned(session, list(by_id), hours[0] - REACH_MS, hours[-1] + 2 * REACH_MS)
    touched = set(hours)
    for first, last in marks.runs(hours):
        touched |= _assess(session, by_id, standing, away, thinned, first, last)
    if news:
        verdict_marks.mark_hours(session, touched)
    for first, last in marks.runs(sorted(touched)):
        rollups.make(session, list(by_id), first, last, thinned)
    session.connection().execute(
        delete(Unsettled).where(
            col(Unsettled.place_id) == place_id,
            col(Unsettled.hour).in_([from_millis(hour) for hour in hours]),
        )
    )


def _assess(
    session: Session,
    sensors: Mapping[int, Sensor],
    standing: Mapping[int, Corrections],
    away: Mapping[int, Sequence[tuple[int, int]]],
    thinned: horizon.Thinned,
    first: int,
    last: int,
) -> set[int]:
    """Reckon the flags that readings of a stretch bear on; returns the hours where one changed.

    What a sensor said while it was away from its place is neither judged nor compared with.
    Within reach of readings that are no longer there, a flag that stands is left as it is.
    """
    back, ahead = round(REACH_BACK_S * 1000), round(REACH_AHEAD_S * 1000)
    from_ms, until_ms = first - ahead, last + back
    rows = {
        sensor_id: found
        for sensor_id in sensors
        if (found := _read(session, sensor_id, from_ms - back, until_ms + ahead)).at_ms.size
    }
    here = {i: ~_within(found.at_ms, away[i]) for i, found in rows.items()}
    courses = {i: _course(sensors[i], r, here[i], standing[i]) for i, r in rows.items()}
    changed: list[dict[str, Any]] = []
    for sensor_id, found in rows.items():
        wanted = (found.at_ms >= from_ms) & (found.at_ms < until_ms)
        if not wanted.any():
            continue
        mates = [course for other, course in courses.items() if other != sensor_id]
        judged = flags_of(courses[sensor_id], mates, first_s=from_ms / 1000.0)
        there = here[sensor_id][wanted]
        flags = np.full(there.size, int(Flag.AWAY), dtype=np.int64)
        flags[there] = judged[: int(there.sum())]
        at_ms = found.at_ms[wanted]
        before = found.flags[wanted]
        new = (flags != before) & ((before == UNASSESSED) | ~_blind(at_ms, thinned, back, ahead))
        changed += [
            {"_sensor": sensor_id, "_at": from_millis(at), "_flags": flag}
            for at, flag in zip(at_ms[new].tolist(), flags[new].tolist(), strict=True)
        ]
    if changed:
        session.connection().execute(
            update(Reading)
            .where(col(Reading.sensor_id) == bindparam("_sensor"))
            .where(col(Reading.at) == bindparam("_at"))
            .values(flags=bindparam("_flags")),
            changed,
        )
    return {marks.hour_of(to_millis(row["_at"])) for row in changed}


def _blind(
    at_ms: NDArray[np.int64], thinned: horizon.Thinned, back: int, ahead: int
) -> NDArray[np.bool_]:
    """Whether readings were thinned out that a flag of this instant would have to look at."""
    blind = np.zeros(at_ms.size, dtype=np.bool_)
    for first, last in marks.runs(sorted(frozenset[int]().union(*thinned.values()))):
        blind |= (at_ms + ahead >= first) & (at_ms - back < last)
    return blind


def _read(session: Session, sensor_id: int, from_ms: int, until_ms: int) -> _Rows:
    columns = (
        Reading.at, Reading.delay_ms, Reading.raw_air_c, Reading.raw_rh_pct, Reading.pressure_pa,
        Reading.battery_pct, Reading.flags,
    )  # fmt: skip
    rows = session.connection().execute(
        select(*(_plain(c) for c in columns))
        .where(col(Reading.sensor_id) == sensor_id)
        .where(col(Reading.at) >= from_millis(from_ms), col(Reading.at) < from_millis(until_ms))
        .order_by(col(Reading.at))
    )
    # Instants in milliseconds and scaled values are exact in a double.
    table = np.array([tuple(row) for row in rows], dtype=np.float64).reshape(-1, len(columns))
    flags = np.where(np.isnan(table[:, 6]), UNASSESSED, table[:, 6]).astype(np.int64)
    return _Rows(table[:, 0].astype(np.int64), table[:, 1:6], flags)


def _plain(column: Any) -> Any:
    """A column as the whole number it is kept as."""
    return type_coerce(column, BigInteger)


def _within(at_ms: NDArray[np.int64], spans: Sequence[tuple[int, int]]) -> NDArray[np.bool_]:
    inside = np.zeros(at_ms.size, dtype=np.bool_)
    for start, end in spans:
        inside |= (at_ms >= start) & (at_ms < end)
    return inside


def _course(sensor: Sensor, rows: _Rows, here: NDArray[np.bool_], known: Corrections) -> Course:
    """Readings to be judged, by the sensor's own uncertainty.

    A check makes the sensor more certain than that; judged by it, every correction worth making
    would look like a fault, and the flags of a stretch would hang on how much of it is looked at.
    """
    time_s = rows.at_ms[here] / 1000.0
    delay, air, rh, pressure, battery = rows.values[here].T
    raw_air, raw_rh = air / CLIMATE_SCALE, rh / CLIMATE_SCALE
    return Course(
        time_s=time_s,
        received_s=time_s + delay / 1000.0,
        air_c=known.apply("air_c", time_s, raw_air),
        rh_pct=known.apply("rh_pct", time_s, raw_rh),
        raw_air_c=raw_air,
        raw_rh_pct=raw_rh,
        pressure_pa=pressure / PRESSURE_SCALE,
        battery_pct=battery,
        air_sd_k=sensor.air_sd_k,
        rh_sd_pct=sensor.rh_sd_pct,
        corrected_from_s=known.begins(("air_c", "rh_pct")),
    )
