"""Every table. Instants are UTC milliseconds in the database and aware datetimes in Python.

``table=True`` classes do not validate: whoever writes a row has checked it at the edge.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import JSON, BigInteger, Column, Integer, Text, UniqueConstraint
from sqlmodel import Field, SQLModel

from service.store.types import Scaled, UtcMillis

__all__ = [
    "CatalogueVersion",
    "Channel",
    "Coat",
    "ColdArrival",
    "Correction",
    "Delivery",
    "Fact",
    "Flaw",
    "FlawCause",
    "FlawPhoto",
    "Forecast",
    "Hanging",
    "Instrument",
    "Notice",
    "PairingCode",
    "Person",
    "Place",
    "Reading",
    "Reject",
    "RollUp",
    "SaltCheck",
    "Sensor",
    "SensorKey",
    "SensorKind",
    "StepDone",
    "Tap",
    "Unsettled",
    "Verdict",
]

CLIMATE_SCALE = 10_000
"""Parts of a kelvin or percent that readings are kept in."""

PRESSURE_SCALE = 10
"""Parts of a pascal."""

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
    air_changes_h: float | None = None
    """Fresh air, in volumes of the place an hour; None: not known."""
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
    kind_id: str | None = Field(default=None, max_length=64)
    check_every_days: int | None = None
    """How often its humidity wants checking; None: as the shop has set."""
    retired_at: datetime | None = _instant(nullable=True)
    """Taken out of use: its readings stay, its silence is no news."""


class SensorKind(SQLModel, table=True):
    """How the payloads of one kind of sensor are read, as data."""

    id: str = Field(primary_key=True, max_length=64)
    name: str = Field(max_length=120)
    spec: dict[str, Any] = Field(default_factory=dict, sa_column=Column(JSON, nullable=False))
    made_at: datetime = _instant()
    retired_at: datetime | None = _instant(nullable=True)


class SensorKey(SQLModel, table=True):
    """By which user and secret a device comes into the broker, and what it may publish there.

    It may be made before the device was ever heard, so it points to no sensor.
    """

    user: str = Field(primary_key=True, max_length=130)
    place_id: str | None = Field(default=None, max_length=64)
    sensor: str = Field(max_length=64)
    topics: list[str] = Field(default_factory=list, sa_column=Column(JSON, nullable=False))
    reads: list[str] = Field(default_factory=list, sa_column=Column(JSON, nullable=False))
    secret_hash: str = Field(max_length=200)
    """PBKDF2 as Mosquitto writes it; empty once the key has ended."""
    made_at: datetime = _instant()
    ended_at: datetime | None = _instant(nullable=True)


class PairingCode(SQLModel, table=True):
    """A short code that stands for a key, once and for minutes; its digest is kept."""

    id: int | None = Field(default=None, primary_key=True)
    digest: str = Field(max_length=64, unique=True)
    place_id: str | None = Field(default=None, max_length=64)
    sensor: str = Field(max_length=64)
    topics: list[str] = Field(default_factory=list, sa_column=Column(JSON, nullable=False))
    reads: list[str] = Field(default_factory=list, sa_column=Column(JSON, nullable=False))
    until: datetime = _instant()
    used_at: datetime | None = _instant(nullable=True)


class Reading(SQLModel, table=True):
    """One report of one sensor at one instant, as sent; corrections are a view over it.

    Sensor and instant are the key, and SQLite keeps the rows in its order: what lands twice lands
    once, a sensor's course lies together, and no second index costs its bytes.
    """

    __table_args__ = ({"sqlite_with_rowid": False},)

    sensor_id: int = Field(foreign_key="sensor.id", primary_key=True)
    at: datetime = Field(sa_column=Column(UtcMillis, primary_key=True))
    delay_ms: int = Field(sa_column=Column(BigInteger, nullable=False))
    """From the instant of the reading to its receipt; negative where the sensor's clock is fast."""
    raw_air_c: float = Field(sa_column=Column(Scaled(CLIMATE_SCALE), nullable=False))
    raw_rh_pct: float = Field(sa_column=Column(Scaled(CLIMATE_SCALE), nullable=False))
    surface_c: float | None = Field(default=None, sa_column=Column(Scaled(CLIMATE_SCALE)))
    pressure_pa: float | None = Field(default=None, sa_column=Column(Scaled(PRESSURE_SCALE)))
    battery_pct: int | None = None
    flags: int | None = None
    """Bits of ``shop.quality.Flag``; None until the reading was assessed."""

    @property
    def received_at(self) -> datetime:
        """When it came in."""
        return self.at + timedelta(milliseconds=self.delay_ms)


class Unsettled(SQLModel, table=True):
    """An hour of a place whose flags and roll-ups are still to be reckoned from its readings."""

    __table_args__ = ({"sqlite_with_rowid": False},)

    place_id: str = Field(foreign_key="place.id", primary_key=True, max_length=64)
    hour: datetime = Field(sa_column=Column(UtcMillis, primary_key=True))


class RollUp(SQLModel, table=True):
    """Readings of one sensor over one span, as sent, in whole parts so that sums are exact.

    Made of readings, and made anew when one of them comes late. Readings that cannot be right
    (``shop.quality``) are left out and counted in ``left_out``; those under any other flag are
    counted in ``doubtful`` too.
    """

    __table_args__ = ({"sqlite_with_rowid": False},)

    sensor_id: int = Field(foreign_key="sensor.id", primary_key=True)
    step_s: int = Field(sa_column=Column(Integer, primary_key=True, autoincrement=False))
    at: datetime = Field(sa_column=Column(UtcMillis, primary_key=True))
    count: int
    doubtful: int
    left_out: int
    air_min: int | None = None
    air_sum: int = Field(sa_column=Column(BigInteger, nullable=False))
    air_max: int | None = None
    rh_min: int | None = None
    rh_sum: int = Field(sa_column=Column(BigInteger, nullable=False))
    rh_max: int | None = None
    surface_count: int = 0
    surface_sum: int = Field(default=0, sa_column=Column(BigInteger, nullable=False))


class Correction(SQLModel, table=True):
    """What makes a sensor's raw values true: ``slope * raw + offset`` from an instant on.

    The newest that stands at an instant holds there; none is ever changed, only undone.
    """

    id: int | None = Field(default=None, primary_key=True)
    sensor_id: int = Field(foreign_key="sensor.id", index=True)
    quantity: str = Field(max_length=16)  # air_c, rh_pct, surface_c
    from_at: datetime = _instant()
    slope: float = 1.0
    offset: float = 0.0
    sd: float | None = None
    """Standard uncertainty of a corrected value, if the check tells it."""
    method: str = Field(max_length=32)  # two jars, trusted instrument, typed in
    detail: dict[str, Any] = Field(default_factory=dict, sa_column=Column(JSON, nullable=False))
    who: str = Field(default="", max_length=80)
    made_at: datetime = _instant()
    undone_at: datetime | None = _instant(nullable=True)


class SaltCheck(SQLModel, table=True):
    """A two-jar check under way or done: which jar since when, and what was read in it."""

    id: int | None = Field(default=None, primary_key=True)
    sensor_id: int = Field(foreign_key="sensor.id", index=True)
    begun_at: datetime = _instant()
    jars: list[dict[str, Any]] = Field(default_factory=list, sa_column=Column(JSON, nullable=False))
    ended_at: datetime | None = _instant(nullable=True)
    correction_id: int | None = Field(default=None, foreign_key="correction.id")
    """None after the end: given up."""


class Fact(SQLModel, table=True):
    """Something the shop must remember of itself, by name."""

    key: str = Field(primary_key=True, max_length=64)
    value: dict[str, Any] = Field(default_factory=dict, sa_column=Column(JSON, nullable=False))


class Tap(SQLModel, table=True):
    """A tap by the key its phone gave it, so that one that is sent again is answered, not done."""

    key: str = Field(primary_key=True, max_length=36)
    act: str = Field(max_length=200)
    """Address it was sent to."""
    at: datetime = _instant(index=True)
    """When it was recorded, which may be long after it was made."""
    answer: str = Field(sa_column=Column(Text, nullable=False))
    """Where the answer led."""


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
    schedule_version: int | None = None
    """Version of the schedule it follows; None: as it ships."""
    parts: list[str] = Field(default_factory=list, sa_column=Column(JSON, nullable=False))
    """Its parts that are masked and coated by themselves; empty: coated as one."""
    made_at: datetime = _instant()
    closed_at: datetime | None = _instant(nullable=True)


class Hanging(SQLModel, table=True):
    """Where an instrument hangs from an instant on, until the next hanging."""

    id: int | None = Field(default=None, primary_key=True)
    instrument_id: int = Field(foreign_key="instrument.id", index=True)
    place_id: str = Field(foreign_key="place.id", max_length=64)
    from_at: datetime = _instant()
    undone_at: datetime | None = _instant(nullable=True)
    planned_at: datetime | None = _instant(nullable=True)
    """For when it was planned; None: entered when it was done."""
    moved_at: datetime | None = _instant(nullable=True)
    """When somebody said that the planned move was made; ``from_at`` is then what they said."""


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
    parts: list[str] = Field(default_factory=list, sa_column=Column(JSON, nullable=False))
    """Parts of the instrument that it went on; empty: all of it."""
    distance_cm: float | None = None
    build: str = Field(default="", max_length=16)  # light, usual, heavy; "" where not said
    batch: str = Field(default="", max_length=80)
    """Batch or lot of the material, as it stands on the can."""
    material_version: int | None = None
    """Version of the material's figures that its clock runs by; None: as they ship."""


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
    parts: list[str] = Field(default_factory=list, sa_column=Column(JSON, nullable=False))
    """Parts of the instrument that it was done on; empty: all of it."""
    removed_um: float | None = None
    """Film taken off by sanding or rubbing, where it was measured or said."""


class Verdict(SQLModel, table=True):
    """What the finisher found of a coat: still soft, sanded clean, gummed, printed."""

    id: int | None = Field(default=None, primary_key=True)
    coat_id: int = Field(foreign_key="coat.id", index=True)
    material_id: str = Field(max_length=64)
    mark: str = Field(max_length=32)
    said: str = Field(max_length=16)  # soft, clean, gummed, printed
    at: datetime = _instant()
    hours: float
    """Reference hours that the coat's clock had run by then."""
    gap_h: float = 0.0
    """Hours of the wait that no reading covers."""
    who: str = Field(default="", max_length=80)
    made_at: datetime = _instant()
    undone_at: datetime | None = _instant(nullable=True)


class CatalogueVersion(SQLModel, table=True):
    """A material or schedule as the shop wrote it; versions are added and never changed."""

    __table_args__ = (
        UniqueConstraint("kind", "entry_id", "version", name="uq_catalogueversion_entry"),
    )

    id: int | None = Field(default=None, primary_key=True)
    kind: str = Field(max_length=16)  # material, schedule
    entry_id: str = Field(max_length=64)
    version: int
    text: str = Field(sa_column=Column(Text, nullable=False))  # YAML
    who: str = Field(default="", max_length=80)
    note: str = Field(default="", max_length=500)
    made_at: datetime = _instant()


class Forecast(SQLModel, table=True):
    """Air outdoors as somebody foretells it, hour by hour; a later issue stands beside it."""

    issued_at: datetime = Field(sa_column=Column(UtcMillis, primary_key=True))
    at: datetime = Field(sa_column=Column(UtcMillis, primary_key=True))
    air_c: float
    rh_pct: float
    pressure_pa: float | None = None


class ColdArrival(SQLModel, table=True):
    """An instrument that came in with wood colder (or damper) than the place it hangs in."""

    id: int | None = Field(default=None, primary_key=True)
    instrument_id: int = Field(foreign_key="instrument.id", index=True)
    at: datetime = _instant()
    wood_c: float
    wood_rh_pct: float | None = None
    """Humidity of the air it came from, where known."""
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
    """When the first person said that it was seen."""
    told_at: datetime | None = _instant(nullable=True, index=True)
    """When its deliveries were written; None: still to be."""


class Person(SQLModel, table=True):
    """Somebody who is told things; never deleted, for deliveries name them."""

    id: int | None = Field(default=None, primary_key=True)
    name: str = Field(max_length=80, unique=True)
    prefs: dict[str, Any] = Field(default_factory=dict, sa_column=Column(JSON, nullable=False))
    """Units, clock and language; what is missing is as the shop has it."""
    telling: dict[str, Any] = Field(default_factory=dict, sa_column=Column(JSON, nullable=False))
    """Rules of ``shop.telling.Telling``; what is missing is as usual."""
    made_at: datetime = _instant()
    retired_at: datetime | None = _instant(nullable=True)


class Channel(SQLModel, table=True):
    """A way to reach a person."""

    id: int | None = Field(default=None, primary_key=True)
    person_id: int = Field(foreign_key="person.id", index=True)
    kind: str = Field(max_length=16)
    name: str = Field(max_length=80)
    config: dict[str, Any] = Field(default_factory=dict, sa_column=Column(JSON, nullable=False))
    """Address, keys and secrets, as its sender checked them; never shown whole."""
    made_at: datetime = _instant()
    retired_at: datetime | None = _instant(nullable=True)
    last_ok_at: datetime | None = _instant(nullable=True)
    last_error: str = Field(default="", max_length=500)
    failing_since: datetime | None = _instant(nullable=True)


class Delivery(SQLModel, table=True):
    """One message to one person by one channel: the outbox. A group of notices is one delivery.

    ``key`` is unique and names group, person and channel, so that one is never written twice.
    """

    id: int | None = Field(default=None, primary_key=True)
    key: str = Field(max_length=160, unique=True)
    group_key: str = Field(max_length=120, index=True)
    """The same for all deliveries of the same notices to the same person's rules."""
    notices: list[int] = Field(default_factory=list, sa_column=Column(JSON, nullable=False))
    kind: str = Field(max_length=32)
    person_id: int = Field(foreign_key="person.id", index=True)
    channel_id: int = Field(foreign_key="channel.id", index=True)
    level: int = 0
    """0: at once; more: only if nobody has reacted by then."""
    urgent: bool = False
    due_at: datetime = _instant(index=True)
    state: str = Field(max_length=16, index=True)  # waiting, sent, given_up, acknowledged
    tries: int = 0
    claimed_at: datetime | None = _instant(nullable=True)
    """When a sender took it in hand; stale after a while, for senders may die."""
    last_error: str = Field(default="", max_length=500)
    made_at: datetime = _instant()
    sent_at: datetime | None = _instant(nullable=True)
    acknowledged_at: datetime | None = _instant(nullable=True)
    ack_token: str = Field(max_length=64, unique=True)


class Flaw(SQLModel, table=True):
    """A defect found on an instrument; ``evidence`` is what the record showed when it was logged.

    What it shows now is reckoned anew. An undone flaw stays, marked.
    """

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
    who: str = Field(default="", max_length=80)
    undone_at: datetime | None = _instant(nullable=True)


class FlawPhoto(SQLModel, table=True):
    """A photo of a flaw, re-encoded; its file lies in the data folder under its digest."""

    id: int | None = Field(default=None, primary_key=True)
    flaw_id: int = Field(foreign_key="flaw.id", index=True)
    digest: str = Field(max_length=64)
    """SHA-256 of the file as it is kept, in hexadecimal."""
    size_bytes: int
    width_px: int
    height_px: int
    who: str = Field(default="", max_length=80)
    made_at: datetime = _instant()
    undone_at: datetime | None = _instant(nullable=True)


class FlawCause(SQLModel, table=True):
    """What a person has found to be behind a flaw; a later one replaces it, undone ones stay."""

    id: int | None = Field(default=None, primary_key=True)
    flaw_id: int = Field(foreign_key="flaw.id", index=True)
    cause: str = Field(max_length=64)
    who: str = Field(default="", max_length=80)
    made_at: datetime = _instant()
    undone_at: datetime | None = _instant(nullable=True)
