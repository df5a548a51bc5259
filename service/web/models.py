"""What the API takes and gives: pydantic models, units in the name of every figure.

Requests refuse NaN, infinities and unknown fields. Answers never hold NaN: what is not known, or
beyond all bounds, is null.
"""

from __future__ import annotations

import math
import re
from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import (
    AliasChoices,
    AwareDatetime,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PlainSerializer,
)

from service.store.types import from_millis, to_millis

__all__ = [
    "AirOut",
    "ClockIn",
    "ClockOut",
    "CoatIn",
    "CoatOut",
    "FlawIn",
    "FlawOut",
    "HangIn",
    "HangOut",
    "InstrumentIn",
    "InstrumentOut",
    "MaterialOut",
    "NextOut",
    "NoticeOut",
    "PlaceIn",
    "PlaceOut",
    "ReadyOut",
    "ReasonOut",
    "RejectOut",
    "ScheduleOut",
    "SensorOut",
    "SprayCheckOut",
    "StepDoneOut",
    "StepIn",
    "StepOut",
    "UndoneOut",
    "WayOutOut",
    "finite",
    "iso",
]


def iso(at: datetime) -> str:
    """Write an instant as ISO 8601 in UTC with a Z, to the millisecond that the store keeps."""
    kept = from_millis(to_millis(at))
    return kept.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def finite(value: Any) -> Any:
    """Make a value fit for JSON, also deep inside: NaN and infinities None, instants ISO."""
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, datetime):
        return iso(value)
    if isinstance(value, dict):
        return {key: finite(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [finite(item) for item in value]
    return value


Instant = Annotated[datetime, PlainSerializer(iso, return_type=str, when_used="json")]
Number = Annotated[float | None, BeforeValidator(finite)]
ShortText = Annotated[str, Field(max_length=80)]
LongText = Annotated[str, Field(max_length=2000)]
PlaceId = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9_-]{0,63}$", examples=["booth"])]
RetarderPct = Annotated[float, Field(ge=0, le=100)]
PlateMm = Annotated[float, Field(gt=0, le=100)]


class _In(BaseModel):
    model_config = ConfigDict(extra="forbid", allow_inf_nan=False, str_strip_whitespace=True)


class _Out(BaseModel):
    model_config = ConfigDict(from_attributes=True)


class PlaceIn(_In):
    """A new place. Without ``id`` it is made from the name."""

    id: PlaceId | None = None
    name: Annotated[str, Field(min_length=1, max_length=120)] | None = None
    kind: Literal["booth", "rack", "store", "outdoors"] = "booth"
    volume_m3: Annotated[float, Field(gt=0, le=1e6)] | None = None

    @property
    def word(self) -> str:
        """The word for the place in topics and addresses; empty where nothing was given."""
        return self.id or re.sub(r"[^a-z0-9]+", "-", (self.name or "").lower()).strip("-")[:64]


class InstrumentIn(_In):
    """A new piece of work."""

    shop_number: Annotated[str, Field(min_length=1, max_length=32)]
    kind: Annotated[str, Field(min_length=1, max_length=80)]
    woods: Annotated[str, Field(max_length=120)] = ""
    plate_mm: PlateMm = 3.0
    schedule: Annotated[str, Field(min_length=1, max_length=64)]
    place: PlaceId | None = None
    at: AwareDatetime | None = None


class HangIn(_In):
    """Where an instrument hangs from an instant on (default: now)."""

    place: PlaceId
    at: AwareDatetime | None = None


class CoatIn(_In):
    """A coat as it went on. All but the instrument has a default: the open step's, now.

    ``place`` other than where the instrument hangs moves it there first.
    """

    material: Annotated[str, Field(min_length=1, max_length=64)] | None = None
    wet_um: Annotated[
        float | None, Field(gt=0, le=1000, validation_alias=AliasChoices("wet_um", "film_um"))
    ] = None
    passes: Annotated[int, Field(ge=1, le=50)] | None = None
    retarder_pct: RetarderPct = 0.0
    at: AwareDatetime | None = None
    who: ShortText = ""
    note: LongText = ""
    place: PlaceId | None = None


class StepIn(_In):
    """A step that is done (default: the open one, now)."""

    step: Annotated[str, Field(min_length=1, max_length=64)] | None = None
    at: AwareDatetime | None = None
    who: ShortText = ""
    note: LongText = ""


class FlawIn(_In):
    """A defect that was found."""

    instrument: int
    kind: Annotated[str, Field(min_length=1, max_length=32)]
    part: Annotated[str, Field(max_length=32)] = ""
    severity: Annotated[int, Field(ge=1, le=3)] = 2
    seen_at: AwareDatetime | None = None
    note: LongText = ""
    coat: int | None = None


class ClockIn(_In):
    """Where to drive a driven clock."""

    now: AwareDatetime | None = None
    rate: Annotated[float, Field(ge=1, le=3600)] | None = None


class ClockOut(_Out):
    """The shop's time, and how fast it runs."""

    now: Instant
    rate: float
    driven: bool


class AirOut(_Out):
    """Moist-air state of a place. ``trouble`` says why it cannot be relied on (null: it can)."""

    as_of: Instant | None = None
    age_s: Number = None
    trouble: str | None = None
    air_c: Number = None
    rh_pct: Number = None
    surface_c: Number = None
    surface_measured: bool = False
    pressure_pa: Number = None
    dew_point_c: Number = None
    dew_point_sd_k: Number = None
    dew_point_margin_k: Number = None
    wet_bulb_c: Number = None
    humidity_ratio_g_kg: Number = None
    absolute_humidity_g_m3: Number = None
    air_sd_k: Number = None
    rh_sd_pct: Number = None
    sensors: tuple[str, ...] = ()


class PlaceOut(_Out):
    """A place and its air now (null: it never had a reading)."""

    id: str
    name: str
    kind: str
    volume_m3: Number
    air: AirOut | None


class ReasonOut(_Out):
    """One limit, what was measured against it, and whether it stands in the way."""

    what: str
    text: str
    value: Number
    limit: Number
    unit: str
    source: str
    blocks: bool


class WayOutOut(_Out):
    """One thing that would turn *wait* into *spray*."""

    kind: str
    text: str
    amount: Number
    unit: str
    until: Instant | None


class SprayCheckOut(_Out):
    """The answer and everything it rests on; null where it is not known."""

    answer: Literal["spray", "wait", "unknown"]
    place: str
    material: str
    instrument: int | None
    wet_um: float
    retarder_pct: float
    plate_mm: float
    reasons: list[ReasonOut]
    ways_out: list[WayOutOut]
    air_c: Number
    rh_pct: Number
    dew_point_c: Number
    dew_point_sd_k: Number
    surface_c: Number
    surface_measured: bool | None
    dew_point_margin_k: Number
    film_floor_c: Number
    blush_margin_k: Number
    blush_margin_sd_k: Number
    blush_probability: Number
    condensed_at_set_g_m2: Number
    flash_off_s: Number
    as_of: Instant | None
    age_s: Number
    cautions: tuple[str, ...]


class MarkOut(_Out):
    """A point of a material's drying clock, in hours at the reference air."""

    name: str
    hours: float
    low_hours: float
    high_hours: float
    basis: str


class FigureOut(_Out):
    """A limit and what it rests on."""

    value: float
    basis: str


class MaterialOut(_Out):
    """A finishing material."""

    id: str
    name: str
    family: str
    sprayed: bool
    usual_wet_um: float
    retarder: str | None
    marks: list[MarkOut]
    limits: dict[str, FigureOut]
    cautions: tuple[str, ...]
    note: str


class StepOut(_Out):
    """One line of a schedule."""

    key: str
    kind: str
    name: str
    how: str
    material: str | None
    coats: int
    between: str
    after: str | None
    until: str | None


class ScheduleOut(_Out):
    """An ordered list of steps."""

    id: str
    name: str
    steps: list[StepOut]


class ReadyOut(_Out):
    """One open mark: how far its clock is, and when it is reached (an 80 % range)."""

    mark: str
    clock: float = Field(ge=0, le=1)
    ready_at: Instant | None
    ready_from: Instant | None
    ready_until: Instant | None
    reached: bool
    elapsed_h: Number
    needed_h: Number
    gap_h: Number
    basis: str
    coat: int | None = None
    for_step: str | None = None


class NextOut(_Out):
    """What to do now on an instrument, or what it waits for."""

    state: Literal["ready", "waiting", "unknown", "finished"]
    step: str | None
    step_kind: str | None
    step_name: str
    how: str
    material: str | None
    coat_number: int | None
    coats: int | None
    waits_for: str
    wait: ReadyOut | None


class InstrumentOut(_Out):
    """A piece of work, where it hangs and where it stands."""

    id: int
    shop_number: str
    kind: str
    woods: str
    plate_mm: float
    schedule: str
    schedule_name: str
    place: str | None
    steps_done: int
    steps: int
    next: NextOut
    marks: list[ReadyOut]
    last_coat: int | None
    last_coat_at: Instant | None


class CoatOut(_Out):
    """A coat as it was recorded, and the air at that moment."""

    id: int
    instrument: int
    step: str | None
    material: str | None
    at: Instant
    wet_um: Number
    passes: int | None = None
    retarder_pct: Number = None
    place: str | None
    who: str
    note: str
    undone: bool
    air: dict[str, Any] | None


class StepDoneOut(_Out):
    """A step recorded as done."""

    id: int
    instrument: int
    step: str
    at: Instant
    who: str
    note: str


class HangOut(_Out):
    """Where an instrument hangs, and from when."""

    id: int
    instrument: int
    place: str
    at: Instant


class UndoneOut(_Out):
    """What was taken back."""

    undone: str


class NoticeOut(_Out):
    """Something told to a person."""

    id: int
    kind: str
    at: Instant
    text: str
    place: str | None
    instrument: int | None
    coat: int | None
    seen_at: Instant | None


class FlawOut(_Out):
    """A flaw with its evidence: the coats, air and waits behind it."""

    id: int
    instrument: int
    kind: str
    part: str
    severity: int
    seen_at: Instant
    note: str
    coat: int | None
    evidence: dict[str, Any]


class RejectOut(_Out):
    """A payload that could not be used: the field that was wrong, and why."""

    id: int
    received_at: Instant
    topic: str
    size_bytes: int
    field: str
    reason: str
    payload: str


class SensorOut(_Out):
    """A sensor and when it was last heard."""

    id: int
    place: str
    name: str
    last_at: Instant | None
    age_s: Number
    silent: bool
