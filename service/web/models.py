"""What the API gives: pydantic models, units in the name of every figure.

No answer holds NaN: what is not known, or beyond all bounds, is null.
"""

from __future__ import annotations

import math
from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PlainSerializer,
)

from service.store.types import from_millis, to_millis

__all__ = [
    "AirOut",
    "ClockOut",
    "CoatOut",
    "FlawOut",
    "HangOut",
    "InstrumentOut",
    "MaterialOut",
    "NextOut",
    "NoticeOut",
    "PlaceOut",
    "ReadyOut",
    "ReasonOut",
    "RejectOut",
    "ScheduleOut",
    "SensorOut",
    "SprayCheckOut",
    "StepDoneOut",
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


class _Out(BaseModel):
    model_config = ConfigDict(from_attributes=True)


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
    closes_hours: float | None = None
    closes_basis: str = ""


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
    pot_life_h: FigureOut | None = None


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
    closes_at: Instant | None = None
    closes_from: Instant | None = None
    closed: bool = False
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
    caution: str = ""
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
