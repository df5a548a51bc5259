"""Readings in and out: batches that land once, and series as arrays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import BigInteger, cast, func
from sqlalchemy.dialects import postgresql, sqlite
from sqlmodel import Session, col, select

from service.store.tables import Place, Reading, Sensor
from service.store.types import to_millis

__all__ = [
    "AirSeries",
    "NewReading",
    "Recorded",
    "guess_kind",
    "latest",
    "record_batch",
    "sensors_of",
    "series",
]

MOST_SENSORS = 500
"""A shop has a few dozen at most; a device that makes up topics must not fill the pages."""

KIND_WORDS = (("outdoors", ("outdoor", "outside", "door", "weather", "yard")),
              ("store", ("store", "wood", "humidor")),
              ("rack", ("rack", "dry", "hang", "cure")))  # fmt: skip


@dataclass(frozen=True)
class NewReading:
    """A reading that has passed the checks: as sent and as corrected."""

    place: str
    sensor: str
    at: datetime
    received_at: datetime
    raw_air_c: float
    raw_rh_pct: float
    air_c: float
    rh_pct: float
    surface_c: float | None = None
    pressure_pa: float | None = None


@dataclass(frozen=True)
class Recorded:
    """What became of a batch; ``refused`` are its members that came from one sensor too many."""

    new: int
    duplicates: int
    places: frozenset[str]
    refused: tuple[int, ...] = ()


@dataclass(frozen=True)
class AirSeries:
    """Air of a place over time, oldest first; ``surface_c`` is NaN where none was measured."""

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

    Places and sensors are made by their first reading, up to a bound.
    """
    sensors = _sensor_ids(session, batch)
    refused = tuple(i for i, r in enumerate(batch) if (r.place, r.sensor) not in sensors)
    kept = [r for r in batch if (r.place, r.sensor) in sensors]
    rows: dict[tuple[int, int], dict[str, object]] = {
        (sensors[r.place, r.sensor], to_millis(r.at)): {
            "sensor_id": sensors[r.place, r.sensor],
            "at": r.at,
            "received_at": r.received_at,
            "raw_air_c": r.raw_air_c,
            "raw_rh_pct": r.raw_rh_pct,
            "air_c": r.air_c,
            "rh_pct": r.rh_pct,
            "surface_c": r.surface_c,
            "pressure_pa": r.pressure_pa,
        }
        for r in reversed(kept)  # of two in one batch the first stands
    }
    present = _already_there(session, rows)
    fresh = [row for key, row in rows.items() if key not in present]
    if fresh:
        # Another writer may have been quicker since: then its row stands.
        statement = _insert(session)(Reading).on_conflict_do_nothing(
            index_elements=["sensor_id", "at"]
        )
        session.connection().execute(statement, fresh)
    places = frozenset(r.place for r in kept)
    return Recorded(len(fresh), len(kept) - len(fresh), places, refused)


def latest(session: Session, place_id: str) -> list[Reading]:
    """Return the newest reading of each sensor of a place."""
    found = []
    for sensor_id in sensors_of(session, place_id):
        row = session.exec(
            select(Reading)
            .where(col(Reading.sensor_id) == sensor_id)
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
    """Read the air of a place from ``from_at`` to ``to_at``, both included.

    With ``step_s`` the readings of each such span are averaged by the database; without, only
    readings of the same instant are (several sensors).
    """
    step_ms = 1 if step_s is None else max(1, round(step_s * 1000))
    at_ms = cast(col(Reading.at), BigInteger)
    bucket = at_ms - at_ms % step_ms
    rows = session.connection().execute(
        select(
            func.avg(at_ms),
            func.avg(col(Reading.air_c)),
            func.avg(col(Reading.rh_pct)),
            func.avg(col(Reading.surface_c)),
        )
        .where(col(Reading.sensor_id).in_(sensors_of(session, place_id)))
        .where(col(Reading.at) >= from_at, col(Reading.at) <= to_at)
        .group_by(bucket)
        .order_by(bucket)
    )
    # NumPy makes NaN of None.
    table = np.array([tuple(row) for row in rows], dtype=np.float64).reshape(-1, 4)
    return AirSeries(table[:, 0] / 1000.0, table[:, 1], table[:, 2], table[:, 3])


def _already_there(
    session: Session, rows: dict[tuple[int, int], dict[str, object]]
) -> set[tuple[int, int]]:
    found: set[tuple[int, int]] = set()
    for sensor_id in {key[0] for key in rows}:
        instants = [row["at"] for (sensor, _), row in rows.items() if sensor == sensor_id]
        there = session.exec(
            select(Reading.at).where(
                col(Reading.sensor_id) == sensor_id, col(Reading.at).in_(instants)
            )
        )
        found.update((sensor_id, to_millis(at)) for at in there)
    return found


def _sensor_ids(session: Session, batch: Sequence[NewReading]) -> dict[tuple[str, str], int]:
    wanted: dict[tuple[str, str], datetime] = {}
    for reading in batch:
        wanted.setdefault((reading.place, reading.sensor), reading.received_at)
    places = {place for place, _ in wanted}
    rows = session.exec(select(Sensor).where(col(Sensor.place_id).in_(places))).all()
    ids = {(row.place_id, row.name): int(row.id or 0) for row in rows}
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


def _insert(session: Session) -> type[postgresql.Insert | sqlite.Insert]:
    return postgresql.Insert if session.get_bind().dialect.name == "postgresql" else sqlite.Insert
