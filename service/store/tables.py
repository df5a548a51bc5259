"""Every table. Instants are UTC milliseconds in the database and aware datetimes in Python.

``table=True`` classes do not validate: whoever writes a row has checked it at the edge.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import JSON, Column, UniqueConstraint
from sqlmodel import Field, SQLModel

from service.store.types import UtcMillis

__all__ = [
    "Coat",
    "Flaw",
    "Hanging",
    "Instrument",
    "Notice",
    "Place",
    "Reading",
    "Reject",
    "Sensor",
    "StepDone",
]

# Named constraints are the same in every database, and a migration can get hold of them.
SQLModel.metadata.naming_convention = {
    "ix": "ix_%(table_name)s_%(column_0_name)s",
    "uq": "uq_%(table_name)s_%(column_0_name)s",
    "fk": "fk_%(table_name)s_%(column_0_name)s",
    "pk": "pk_%(table_name)s",
}


def _instant(*, nullable: bool = False, index: bool = False) -> Any:
    return Field(default=None, sa_column=Column(UtcMillis, nullable=nullable, index=index))


class Place(SQLModel, table=True):
    """Where air is measured. ``id`` is the word used in topics and addresses."""

    id: str = Field(primary_key=True, max_length=64)
    name: str = Field(max_length=120)
    kind: str = Field(default="booth", max_length=16)  # booth, rack, store, outdoors
    volume_m3: float | None = None
    made_at: datetime = _instant()


class Sensor(SQLModel, table=True):
    """A device in a place; known from its first reading on."""

    __table_args__ = (UniqueConstraint("place_id", "name", name="uq_sensor_place_name"),)

    id: int | None = Field(default=None, primary_key=True)
    place_id: str = Field(foreign_key="place.id", max_length=64)
    name: str = Field(max_length=64)
    air_sd_k: float = 0.3
    rh_sd_pct: float = 2.0
    made_at: datetime = _instant()


class Reading(SQLModel, table=True):
    """One report of one sensor at one instant: as sent, and as corrected.

    Sensor and instant are the key, and SQLite keeps the rows in its order: what lands twice lands
    once, a sensor's course lies together, and no second index costs its bytes.
    """

    __table_args__ = ({"sqlite_with_rowid": False},)

    sensor_id: int = Field(foreign_key="sensor.id", primary_key=True)
    at: datetime = Field(sa_column=Column(UtcMillis, primary_key=True))
    received_at: datetime = _instant()
    raw_air_c: float
    raw_rh_pct: float
    air_c: float
    rh_pct: float
    surface_c: float | None = None
    pressure_pa: float | None = None


class Reject(SQLModel, table=True):
    """A payload that could not be used, kept with the reason."""

    id: int | None = Field(default=None, primary_key=True)
    received_at: datetime = _instant(index=True)
    topic: str = Field(max_length=512)
    size_bytes: int
    payload: bytes  # the first few kilobytes
    field: str = Field(max_length=64)
    reason: str = Field(max_length=500)


class Instrument(SQLModel, table=True):
    """A piece of work."""

    id: int | None = Field(default=None, primary_key=True)
    shop_number: str = Field(max_length=32, unique=True)
    kind: str = Field(max_length=80)
    woods: str = Field(default="", max_length=120)
    plate_mm: float = 3.0
    schedule_id: str = Field(max_length=64)
    made_at: datetime = _instant()
    closed_at: datetime | None = _instant(nullable=True)


class Hanging(SQLModel, table=True):
    """Where an instrument hangs from an instant on, until the next hanging."""

    id: int | None = Field(default=None, primary_key=True)
    instrument_id: int = Field(foreign_key="instrument.id", index=True)
    place_id: str = Field(foreign_key="place.id", max_length=64)
    from_at: datetime = _instant()
    undone_at: datetime | None = _instant(nullable=True)


class Coat(SQLModel, table=True):
    """One application as it was done; undone coats stay, marked."""

    id: int | None = Field(default=None, primary_key=True)
    instrument_id: int = Field(foreign_key="instrument.id", index=True)
    step_key: str = Field(max_length=64)
    material_id: str = Field(max_length=64)
    at: datetime = _instant()
    wet_um: float
    passes: int | None = None
    retarder_pct: float = 0.0
    place_id: str = Field(foreign_key="place.id", max_length=64)
    who: str = Field(default="", max_length=80)
    note: str = Field(default="", max_length=2000)
    air: dict[str, Any] = Field(default_factory=dict, sa_column=Column(JSON, nullable=False))
    made_at: datetime = _instant()
    undone_at: datetime | None = _instant(nullable=True)


class StepDone(SQLModel, table=True):
    """A step of the schedule finished (or a round of it); undone ones stay, marked."""

    id: int | None = Field(default=None, primary_key=True)
    instrument_id: int = Field(foreign_key="instrument.id", index=True)
    step_key: str = Field(max_length=64)
    at: datetime = _instant()
    who: str = Field(default="", max_length=80)
    note: str = Field(default="", max_length=2000)
    made_at: datetime = _instant()
    undone_at: datetime | None = _instant(nullable=True)


class Notice(SQLModel, table=True):
    """Something told to a person, once: ``key`` names the occasion and is unique."""

    id: int | None = Field(default=None, primary_key=True)
    key: str = Field(max_length=160, unique=True)
    kind: str = Field(max_length=32)
    at: datetime = _instant(index=True)
    text: str = Field(max_length=500)
    place_id: str | None = Field(default=None, max_length=64)
    instrument_id: int | None = Field(default=None, foreign_key="instrument.id")
    coat_id: int | None = Field(default=None, foreign_key="coat.id")
    data: dict[str, Any] = Field(default_factory=dict, sa_column=Column(JSON, nullable=False))
    published_at: datetime | None = _instant(nullable=True)
    seen_at: datetime | None = _instant(nullable=True)


class Flaw(SQLModel, table=True):
    """A defect found on an instrument, with the air behind it as it was known when logged."""

    id: int | None = Field(default=None, primary_key=True)
    instrument_id: int = Field(foreign_key="instrument.id", index=True)
    kind: str = Field(max_length=32)
    part: str = Field(default="", max_length=32)
    severity: int = 2
    seen_at: datetime = _instant()
    note: str = Field(default="", max_length=2000)
    coat_id: int | None = Field(default=None, foreign_key="coat.id")
    evidence: dict[str, Any] = Field(default_factory=dict, sa_column=Column(JSON, nullable=False))
    made_at: datetime = _instant()
