"""Readings in and out: batches that land once, and series as arrays."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import column as named
from sqlalchemy import func, table
from sqlmodel import Session, col, select

from service.shop.correction import Corrections
from service.shop.quality import Flag
from service.store import corrections, horizon, marks
from service.store.means import Span, counted, means_of, span_of
from service.store.memo import kept
from service.store.tables import CLIMATE_SCALE, PRESSURE_SCALE, Place, Reading, Sensor
from service.store.types import to_millis

__all__ = [
    "AirSeries",
    "NewReading",
    "Recorded",
    "counted",
    "guess_kind",
    "latest",
    "record_batch",
    "sensors_of",
    "series",
    "series_of",
    "series_span",
]

_Row = tuple[int, int, int, int, int, int | None, int | None, int | None]

_COLUMNS = (
    "sensor_id", "at", "delay_ms", "raw_air_c", "raw_rh_pct", "surface_c", "pressure_pa",
    "battery_pct",
)  # fmt: skip
# The table without the types that turn each value into the whole number it is kept as.
_KEPT = table(str(Reading.__tablename__), *(named(name) for name in _COLUMNS))

MOST_SENSORS = 500
"""A shop has a few dozen at most; a device that makes up topics must not fill the pages."""

KIND_WORDS = (("outdoors", ("outdoor", "outside", "door", "weather", "yard")),
              ("store", ("store", "wood", "humidor")),
              ("rack", ("rack", "dry", "hang", "cure")))  # fmt: skip


class NewReading(NamedTuple):
    """A reading as sent that has passed the checks."""

    place: str
    sensor: str
    at: datetime
    received_at: datetime
    air_c: float
    rh_pct: float
    surface_c: float | None = None
    pressure_pa: float | None = None
    battery_pct: int | None = None


@dataclass(frozen=True)
class Recorded:
    """What became of a batch.

    ``refused`` are its members that came from one sensor too many, ``too_old`` those of hours whose
    readings were thinned out: whether they are repeats can no longer be told.
    """

    new: int
    duplicates: int
    places: frozenset[str]
    refused: tuple[int, ...] = ()
    too_old: tuple[int, ...] = ()


@dataclass(frozen=True)
class AirSeries:
    """Air of a place over time, oldest first; ``surface_c`` is NaN where none was measured.

    Several threads may be handed the same arrays, so nobody writes to them.
    """

    time_s: NDArray[np.float64]
    air_c: NDArray[np.float64]
    rh_pct: NDArray[np.float64]
    surface_c: NDArray[np.float64]


def guess_kind(place_id: str) -> str:
    """Guess what kind of place a word stands for; a booth where nothing else fits."""
    for kind, words in KIND_WORDS:
        if any(word in place_id for word in words):
            return kind
    return "booth"


def record_batch(session: Session, batch: Sequence[NewReading]) -> Recorded:
    """Keep readings; a (sensor, at) that is already there, or twice in the batch, lands once.

    Places and sensors are made by their first reading, up to a bound. The hours touched are marked
    for :mod:`service.store.settling`, which has to run before any answer rests on the readings.
    """
    sensors = _sensor_ids(session, batch)
    refused: list[int] = []
    rows: dict[int, _Row] = {}
    for index, r in enumerate(batch):
        sensor_id = sensors.get((r.place, r.sensor))
        if sensor_id is None:
            refused.append(index)
        else:
            rows[index] = _row(sensor_id, r)
    too_old = _too_old(session, rows)
    for index in too_old:
        del rows[index]
    hours = {(batch[index].place, marks.hour_of(row[1])) for index, row in rows.items()}
    new = _insert(session, list(rows.values())) if rows else 0
    if new:
        marks.mark(session, hours)
    places = frozenset(place for place, _ in hours)
    return Recorded(new, len(rows) - new, places, tuple(refused), too_old)


def _too_old(session: Session, rows: Mapping[int, _Row]) -> tuple[int, ...]:
    """Return which of the rows belong to thinned hours."""
    least_ms = horizon.LEAST_KEPT // timedelta(milliseconds=1)
    old = [
        (index, row[0], marks.hour_of(row[1])) for index, row in rows.items() if row[2] > least_ms
    ]
    if not old:
        return ()
    hours = [hour for _, _, hour in old]
    thinned = horizon.thinned(
        session, sorted({s for _, s, _ in old}), min(hours), max(hours) + marks.HOUR_MS
    )
    return tuple(i for i, sensor_id, hour in old if hour in thinned.get(sensor_id, ()))


def _row(sensor_id: int, r: NewReading) -> _Row:
    """A reading in the whole parts that it is kept in, in the order of the columns."""
    at = to_millis(r.at)
    return (
        sensor_id,
        at,
        to_millis(r.received_at) - at,
        round(r.air_c * CLIMATE_SCALE),
        round(r.rh_pct * CLIMATE_SCALE),
        None if r.surface_c is None else round(r.surface_c * CLIMATE_SCALE),
        None if r.pressure_pa is None else round(r.pressure_pa * PRESSURE_SCALE),
        r.battery_pct,
    )


def _insert(session: Session, rows: list[_Row]) -> int:
    """Insert rows, but those whose key is there; returns how many were new."""
    connection = session.connection()
    statement = marks.insert(session)(_KEPT).on_conflict_do_nothing()
    counted = {"preserve_rowcount": True}
    if connection.dialect.name == "sqlite":
        # Handed to the driver as they are: a third of the time of naming each value.
        text = str(statement.compile(dialect=connection.dialect))
        result = connection.exec_driver_sql(text, rows, execution_options=counted)
    else:
        each = [dict(zip(_COLUMNS, row, strict=True)) for row in rows]
        result = connection.execute(statement, each, execution_options=counted)
    return result.rowcount


def latest(session: Session, place_id: str) -> list[Reading]:
    """Return the newest assessed reading in the place of each sensor that is in use."""
    in_use = session.exec(
        select(Sensor.id).where(col(Sensor.place_id) == place_id, col(Sensor.retired_at).is_(None))
    )
    found = []
    for sensor_id in in_use.all():
        row = session.exec(
            select(Reading)
            .where(
                col(Reading.sensor_id) == sensor_id,
                col(Reading.flags).bitwise_and(int(Flag.AWAY)) == 0,
            )
            .order_by(col(Reading.at).desc())
            .limit(1)
        ).first()
        if row is not None:
            found.append(row)
    return found


def sensors_of(session: Session, place_id: str) -> list[int]:
    """Return the ids of a place's sensors."""
    ids = session.exec(select(Sensor.id).where(col(Sensor.place_id) == place_id))
    return [int(i) for i in ids if i is not None]


def series(
    session: Session, place_id: str, from_at: datetime, to_at: datetime, step_s: float | None
) -> AirSeries:
    """Read the corrected air of a place from ``from_at`` to ``to_at``, both included.

    With ``step_s`` the readings of each such span are averaged by the database; without, only
    readings of the same instant are (several sensors). Readings that cannot be right are left out;
    other flagged ones count only where there is nothing better.
    """
    return series_of(session, place_id, series_span(session, place_id, from_at, to_at, step_s))


def series_span(
    session: Session, place_id: str, from_at: datetime, to_at: datetime, step_s: float | None
) -> Span:
    """Return all that a :func:`series` depends on besides the record.

    It is the same until a reading comes or an hour ends, however the clock moves on.
    """
    step_ms = 1 if step_s is None else max(1, round(step_s * 1000))
    sensor_ids = _sensors(session, place_id)
    return span_of(session, place_id, sensor_ids, to_millis(from_at), to_millis(to_at), step_ms)


def series_of(session: Session, place_id: str, span: Span) -> AirSeries:
    """Read the corrected air of a place over a span."""

    def read() -> AirSeries:
        sensor_ids = _sensors(session, place_id)
        table = means_of(session, place_id, sensor_ids, span)
        standing = kept(
            session, ("standing", place_id), lambda: corrections.standing(session, sensor_ids)
        )
        return _combined(table, standing)

    return kept(session, ("series", place_id, span), read)


def _sensors(session: Session, place_id: str) -> list[int]:
    return kept(session, ("sensors", place_id), lambda: sensors_of(session, place_id))


def _combined(table: NDArray[np.float64], standing: Mapping[int, Corrections]) -> AirSeries:
    """Correct the means of each sensor and span, and make one of all sensors of a span."""
    sensor, bucket, doubtful, count, at_ms = table[:, :5].T
    time_s = at_ms / 1000.0
    values = table[:, 5:] / CLIMATE_SCALE
    for sensor_id, known in standing.items():
        own = sensor == sensor_id
        for column, quantity in enumerate(("air_c", "rh_pct", "surface_c")):
            values[own, column] = known.apply(quantity, time_s[own], values[own, column])
    spans, span = np.unique(bucket, return_inverse=True)
    clean = np.bincount(span, doubtful == 0, spans.size) > 0
    weight = np.where((doubtful == 0) | ~clean[span], count, 0.0)

    def mean(value: NDArray[np.float64]) -> NDArray[np.float64]:
        known = np.where(np.isnan(value), 0.0, weight)
        total = np.bincount(span, known * np.nan_to_num(value), spans.size)
        there = np.bincount(span, known, spans.size)
        return np.where(there > 0, total / np.maximum(there, 1.0), np.nan)

    return AirSeries(mean(time_s), *(mean(values[:, column]) for column in range(3)))


def _sensor_ids(session: Session, batch: Sequence[NewReading]) -> dict[tuple[str, str], int]:
    wanted: dict[tuple[str, str], datetime] = {}
    for reading in batch:
        wanted.setdefault((reading.place, reading.sensor), reading.received_at)
    places = {place for place, _ in wanted}
    rows = session.exec(
        select(Sensor.place_id, Sensor.name, Sensor.id).where(col(Sensor.place_id).in_(places))
    )
    ids = {(place, name): int(sensor_id or 0) for place, name, sensor_id in rows}
    unknown = [key for key in wanted if key not in ids]
    if unknown:
        there = session.exec(select(func.count()).select_from(Sensor)).one()
        for place, sensor in unknown[: max(0, MOST_SENSORS - there)]:
            _ensure_place(session, place, wanted[place, sensor])
            row = Sensor(place_id=place, name=sensor, made_at=wanted[place, sensor])
            session.add(row)
            session.flush()
            ids[place, sensor] = int(row.id or 0)
    return ids


def _ensure_place(session: Session, place_id: str, made_at: datetime) -> None:
    if session.get(Place, place_id) is None:
        name = place_id.replace("-", " ").replace("_", " ").capitalize()
        session.add(Place(id=place_id, name=name, kind=guess_kind(place_id), made_at=made_at))
        session.flush()
