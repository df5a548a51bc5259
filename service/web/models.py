"""What the API gives: pydantic models, units in the name of every figure.

No answer holds NaN: what is not known, or beyond all bounds, is null.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Annotated, Any, Literal

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PlainSerializer,
    TypeAdapter,
)

from service.store.types import from_millis, to_millis

__all__ = [
    "AirOut",
    "AroundOut",
    "ClockOut",
    "CoatOut",
    "ColdArrivalOut",
    "CorrectionOut",
    "HangOut",
    "InstrumentOut",
    "JarOut",
    "LeftOutOut",
    "MaterialOut",
    "NextOut",
    "NoticeOut",
    "PlaceOut",
    "ReadyOut",
    "ReasonOut",
    "RejectOut",
    "SaidOut",
    "SaltCheckOut",
    "ScheduleOut",
    "SensorOut",
    "SettlingOut",
    "SprayCheckOut",
    "StepDoneOut",
    "StepOut",
    "UndoneOut",
    "WayOutOut",
    "WindowOut",
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


def rows_as_json(rows: Sequence[Mapping[str, Any]]) -> bytes:
    """Write rows with a UTC instant ``at`` as JSON; the long way costs ten times this.

    NaN and infinities come out as null.
    """
    return _ROWS.dump_json(
        [{**row, "at": row["at"].isoformat(timespec="milliseconds")[:-6] + "Z"} for row in rows]
    )


_ROWS = TypeAdapter(list[dict[str, Any]])

Instant = Annotated[datetime, PlainSerializer(iso, return_type=str, when_used="json")]
Number = Annotated[float | None, BeforeValidator(finite)]


class _Out(BaseModel):
    model_config = ConfigDict(from_attributes=True)


class ClockOut(_Out):
    """The shop's time, and how fast it runs."""

    now: Instant
    rate: float
    driven: bool


class LeftOutOut(_Out):
    """A sensor that is not counted, and why, in words that follow its name."""

    sensor: str
    why: str


class AirOut(_Out):
    """Moist-air state of a place. ``trouble`` says why it cannot be relied on (null: it can).

    ``sensors`` are those it was made of, ``left_out`` those that were heard and not believed.
    """

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
    left_out: list[LeftOutOut] = []


class PlateOut(_Out):
    """A plate that hangs in a place: its moisture a day ago, now and tomorrow, and how it moves."""

    name: str
    wood: str
    thickness_mm: float
    width_mm: float
    yesterday_pct: float
    moisture_pct: float
    tomorrow_pct: float
    moved_mm: float
    will_move_mm: float
    too_fast: bool


class WoodOut(_Out):
    """How the air of a place stands to wood; ``rh_pct`` is the mean of the last hours."""

    state: Literal["inside", "dry", "damp", "unknown"]
    since: Instant | None
    rh_pct: Number
    low_pct: float
    high_pct: float
    equilibrium_pct: Number
    tomorrow_equilibrium_pct: Number
    plates: list[PlateOut]


class PlaceOut(_Out):
    """A place and its air now (null: it never had a reading)."""

    id: str
    name: str
    kind: str
    volume_m3: Number
    air_changes_h: Number
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
    until: Instant | None = None


class WayOutOut(_Out):
    """One thing that would turn *wait* into *spray*."""

    kind: str
    text: str
    amount: Number
    unit: str
    until: Instant | None


class WindowOut(_Out):
    """A stretch in which the check will likely say *spray*.

    ``probability`` is the mean chance of it, ``throughout`` the chance of all of it.
    """

    start_at: Instant
    end_at: Instant
    probability: float
    throughout: float
    open_now: bool


class SprayCheckOut(_Out):
    """The answer and everything it rests on; null where it is not known.

    ``next_window`` is when the outlook expects the next *spray*; null where none is likely within
    48 h, or there is no outlook.
    """

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
    haze_margin_k: Number
    condensed_at_set_g_m2: Number
    flash_off_s: Number
    as_of: Instant | None
    age_s: Number
    cautions: tuple[str, ...]
    next_window: WindowOut | None = None


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


class VersionOut(_Out):
    """One version of a material or schedule; ``version`` null: as it was read from files."""

    version: int | None
    text: str
    who: str
    note: str
    made_at: Instant | None


class WrittenOut(_Out):
    """What was written, and as which version."""

    kind: Literal["material", "schedule"]
    id: str
    version: int


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


class PartOut(_Out):
    """A part that is coated by itself: what comes next on it; ``due``: the open act is for it."""

    part: str
    due: bool
    next: NextOut


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
    parts: list[PartOut] = []
    moves: list[HangOut] = []
    """Moves that are planned, soonest first."""
    due_move: HangOut | None = None
    """A planned move whose time has come, until somebody says that it was made."""


class FilmOut(_Out):
    """Film on a part ("": all of it), and what the next levelling would leave of it."""

    part: str
    over: Literal["colour", "wood"]
    coats: int
    dry_um: float
    sd_um: float
    coats_to_come: int
    next_step: str | None
    first_grade: str | None
    left_um: Number
    least_um: Number
    keep_um: float
    sand_through: bool
    unknown: tuple[str, ...]


class PlanLineOut(_Out):
    """One act of the plan. ``why`` says what holds it where it is, ``by`` which piece."""

    instrument: int
    shop_number: str
    step: str
    step_name: str
    coat_number: int | None
    coats: int | None
    material: str | None
    start_at: Instant
    end_at: Instant
    why: Literal["now", "wait", "hours", "window", "coats", "masking", "booth", "hands", "grouped"]
    by: str | None


class FinishOut(_Out):
    """When a piece is through, as an 80 % range; null where it cannot be told."""

    instrument: int
    shop_number: str
    from_at: Instant | None
    until_at: Instant | None
    why_not: str


class PlanOut(_Out):
    """What to do in which order over the next week; ``made_by`` solver or rule."""

    made_at: Instant
    made_by: Literal["solver", "rule"]
    outlook_until: Instant | None
    lines: list[PlanLineOut]
    finishes: list[FinishOut]


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
    parts: list[str] = []
    build: str = ""
    distance_cm: Number = None
    batch: str = ""


class ColdArrivalOut(_Out):
    """A piece that came in cold, and what is reckoned of it now.

    ``surface_c`` is of the ``part`` of it that lags most (null: as warm as the air by now, or the
    air is not known), ``clear_at`` when that is ``margin_k`` over the dew point, ``near_at`` when
    it is within 1 K of the air. ``moisture_...`` are of its wood then and of wood here, and
    ``moisture_near_at`` when the two are 0.5 % apart.
    """

    id: int
    instrument: int
    at: Instant
    wood_c: float
    wood_rh_pct: Number
    part: str | None
    surface_c: Number
    margin_k: float
    clear_at: Instant | None
    near_at: Instant | None
    moisture_then_pct: Number
    moisture_here_pct: Number
    moisture_near_at: Instant | None


class StepDoneOut(_Out):
    """A step recorded as done."""

    id: int
    instrument: int
    step: str
    at: Instant
    who: str
    note: str
    parts: list[str] = []
    removed_um: Number = None


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


class RejectOut(_Out):
    """A payload that could not be used: the field that was wrong, and why."""

    id: int
    received_at: Instant
    topic: str
    size_bytes: int
    field: str
    reason: str
    payload: str


class SaidOut(_Out):
    """What a sensor said at one instant."""

    air_c: Number
    rh_pct: Number
    surface_c: Number


class CorrectionOut(_Out):
    """A correction, ``slope * sent + offset`` from ``from_at`` on, as long as it is not undone.

    ``offset`` and ``sd`` (standard uncertainty of a corrected value; null: as the sensor's own) are
    in ``unit``. ``holds`` if it is the one that counts now.
    """

    id: int
    quantity: Literal["air_c", "rh_pct", "surface_c"]
    unit: str
    from_at: Instant
    slope: float
    offset: float
    sd: Number
    method: str
    detail: dict[str, Any]
    who: str
    made_at: Instant
    undone_at: Instant | None
    holds: bool


class SensorOut(_Out):
    """A sensor as it stands.

    ``raw`` is what it sent last, ``corrected`` what that is taken for. ``flags`` names what is
    wrong with that reading (null: not assessed yet); ``flags_24h`` counts the readings of the last
    24 h under each flag, of ``readings_24h`` in all. ``air_sd_k`` and ``rh_sd_pct`` are its own
    standard uncertainties, ``..._now_...`` those of its corrected values.
    """

    id: int
    place: str
    name: str
    state: Literal["in use", "silent", "in a jar", "coming back", "retired", "never heard"]
    last_at: Instant | None
    age_s: Number
    silent: bool
    retired: bool
    battery_pct: int | None
    raw: SaidOut | None
    corrected: SaidOut | None
    flags: list[str] | None
    flags_24h: dict[str, int]
    readings_24h: int
    air_sd_k: float
    rh_sd_pct: float
    air_sd_now_k: float
    rh_sd_now_pct: float
    corrections: list[CorrectionOut]
    check_every_days: int
    checked_at: Instant | None
    check_due_at: Instant | None
    check_due: bool


class AroundOut(_Out):
    """A sensor's own mean about an instant, as sent and as corrected, in the quantity's unit."""

    at: Instant
    quantity: str
    count: int
    raw: float
    corrected: float
    sd: float


class SettlingOut(_Out):
    """How far a sensor in a jar is; ``still`` says in words what is not yet as it should be."""

    settled: bool
    still: list[str]
    ready_in_s: Number
    readings: int
    rh_pct: Number
    rh_sd_pct: Number
    air_c: Number
    slope_pct_h: Number
    scatter_pct: Number
    remains_pct: Number
    slope_k_h: Number


class JarOut(_Out):
    """One jar of a salt check: in it since when, what was taken, or how it settles."""

    salt: str
    since: Instant | None
    taken_at: Instant | None
    settled: bool
    rh_pct: Number
    air_c: Number
    truth_pct: Number
    before_pct: Number
    after_pct: Number
    settling: SettlingOut | None


class SaltCheckOut(_Out):
    """A two-jar check. ``slope``, ``offset_pct`` and ``sd_pct`` are what adopting it would keep."""

    sensor: int
    stage: Literal["first jar", "to second jar", "second jar", "result", "adopted", "given up"]
    begun_at: Instant
    ended_at: Instant | None
    jars: list[JarOut]
    slope: Number
    offset_pct: Number
    sd_pct: Number
    problem: str | None
    correction: int | None
