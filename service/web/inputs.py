"""What the API takes: pydantic models that refuse NaN, infinities and unknown fields."""

from __future__ import annotations

import re
from typing import Annotated, Literal

from pydantic import AliasChoices, BaseModel, ConfigDict, Field

from service.web.scalars import InstantIn, RowId

__all__ = [
    "AdoptIn",
    "ClockIn",
    "CoatIn",
    "ColdArrivalIn",
    "FiguresIn",
    "FlawIn",
    "HangIn",
    "InstrumentIn",
    "InstrumentReadingIn",
    "JarIn",
    "MoveMadeIn",
    "MovedIn",
    "PlaceChangeIn",
    "PlaceIn",
    "SaltCheckIn",
    "SensorIn",
    "SlopeOffsetIn",
    "StepIn",
    "TakeIn",
    "TextIn",
    "VerdictIn",
    "WorkingIn",
    "word_of",
]

ShortText = Annotated[str, Field(max_length=80)]
LongText = Annotated[str, Field(max_length=2000)]
PlaceId = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9_-]{0,63}$", examples=["booth"])]
RetarderPct = Annotated[float, Field(ge=0, le=100)]
FigureHours = Annotated[float, Field(gt=0, le=24 * 365)]
Parts = Annotated[tuple[Annotated[str, Field(max_length=32)], ...], Field(max_length=20)]
PlateMm = Annotated[float, Field(gt=0, le=100)]


def word_of(name: str) -> str:
    """Return the word that a name becomes in topics and addresses; empty where no letter is."""
    plain = name.lower()
    for letter, pair in (("ä", "ae"), ("ö", "oe"), ("ü", "ue"), ("ß", "ss")):
        plain = plain.replace(letter, pair)
    return re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:64]


class _In(BaseModel):
    model_config = ConfigDict(extra="forbid", allow_inf_nan=False, str_strip_whitespace=True)


class PlaceIn(_In):
    """A new place. Without ``id`` it is made from the name."""

    id: PlaceId | None = None
    name: Annotated[str, Field(min_length=1, max_length=120)] | None = None
    kind: Literal["booth", "rack", "store", "outdoors"] = "booth"
    volume_m3: Annotated[float, Field(gt=0, le=1e6)] | None = None
    air_changes_h: Annotated[float, Field(ge=0, le=1000)] | None = None

    @property
    def word(self) -> str:
        """The word for the place in topics and addresses; empty where nothing was given."""
        return self.id or word_of(self.name or "")


class PlaceChangeIn(_In):
    """What is to be different about a place; what is left out stays, null: not known any more."""

    name: Annotated[str, Field(min_length=1, max_length=120)] = ""
    kind: Literal["booth", "rack", "store", "outdoors"] = "booth"
    volume_m3: Annotated[float, Field(ge=0.1, le=1e5)] | None = None
    air_changes_h: Annotated[float, Field(ge=0, le=1000)] | None = None


class InstrumentIn(_In):
    """A new piece of work."""

    shop_number: Annotated[str, Field(min_length=1, max_length=32)]
    kind: Annotated[str, Field(min_length=1, max_length=80)]
    woods: Annotated[str, Field(max_length=120)] = ""
    plate_mm: PlateMm = 3.0
    schedule: Annotated[str, Field(min_length=1, max_length=64)]
    place: PlaceId | None = None
    at: InstantIn | None = None
    parts: Parts = ()
    """Parts that are masked and coated by themselves; none: coated as one."""


class HangIn(_In):
    """Where an instrument hangs from an instant on (default: now); one ahead plans the move."""

    place: PlaceId
    at: InstantIn | None = None


class MoveMadeIn(_In):
    """When a planned move was made (default: now)."""

    at: InstantIn | None = None


class MovedIn(MoveMadeIn):
    """Which planned move was made, and when."""

    move: RowId


class ColdArrivalIn(_In):
    """A piece that came in with its wood at ``wood_c`` (default: now).

    ``wood_rh_pct`` is the humidity of the air it came from, where that is known.
    """

    wood_c: Annotated[float, Field(ge=-30, le=60)]
    at: InstantIn | None = None
    wood_rh_pct: Annotated[float, Field(ge=0, le=100)] | None = None


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
    at: InstantIn | None = None
    who: ShortText = ""
    note: LongText = ""
    place: PlaceId | None = None
    parts: Parts = ()
    build: Literal["", "light", "usual", "heavy"] = ""
    distance_cm: Annotated[float, Field(ge=5, le=100)] | None = None
    batch: ShortText = ""


class StepIn(_In):
    """A step that is done (default: the open one, now, on the parts that were due)."""

    step: Annotated[str, Field(min_length=1, max_length=64)] | None = None
    at: InstantIn | None = None
    who: ShortText = ""
    note: LongText = ""
    parts: Parts = ()
    removed_um: Annotated[float, Field(ge=0, le=1000)] | None = None


class VerdictIn(_In):
    """What a coat was found to be (default: the last coat, now, the mark it waits for)."""

    said: Literal["soft", "clean", "gummed", "printed"]
    mark: Annotated[str, Field(min_length=1, max_length=32)] | None = None
    at: InstantIn | None = None
    who: ShortText = ""
    coat: RowId | None = None


class FlawIn(_In):
    """A defect that was found."""

    instrument: RowId
    kind: Annotated[str, Field(min_length=1, max_length=32)]
    part: Annotated[str, Field(max_length=32)] = ""
    severity: Annotated[int, Field(ge=1, le=3)] = 2
    seen_at: InstantIn | None = None
    note: LongText = ""
    coat: RowId | None = None
    who: ShortText = ""


Quantity = Literal["air_c", "rh_pct", "surface_c"]


class SensorIn(_In):
    """What is to be changed of a sensor; ``check_every_days`` null: as the shop has set."""

    air_sd_k: Annotated[float, Field(gt=0, le=10)] | None = None
    rh_sd_pct: Annotated[float, Field(gt=0, le=20)] | None = None
    check_every_days: Annotated[int, Field(ge=1, le=3650)] | None = None
    retired: bool | None = None


class InstrumentReadingIn(_In):
    """What a trusted instrument beside the sensor said at ``at`` (default: now).

    ``value`` in % RH or °C; ``sd`` is the instrument's standard uncertainty, in % RH or K. The
    correction holds from ``from_at`` on (default: ``at``).
    """

    method: Literal["trusted instrument"]
    quantity: Quantity
    value: float
    sd: Annotated[float, Field(gt=0)]
    at: InstantIn | None = None
    from_at: InstantIn | None = None
    who: ShortText = ""


class SlopeOffsetIn(_In):
    """A correction as it is known: ``slope * sent + offset`` from ``from_at`` on (default: now).

    ``offset`` and ``sd`` (standard uncertainty) in % RH or K.
    """

    method: Literal["typed in"]
    quantity: Quantity
    slope: Annotated[float, Field(gt=0)] = 1.0
    offset: float = 0.0
    sd: Annotated[float, Field(gt=0)] | None = None
    from_at: InstantIn | None = None
    who: ShortText = ""


class SaltCheckIn(_In):
    """The salts of the two jars, by chemical name; the sensor is in the first jar now."""

    first: Annotated[str, Field(max_length=32)] = "sodium chloride"
    second: Annotated[str, Field(max_length=32)] = "magnesium chloride"


class TakeIn(_In):
    """Take the jar's reading; ``anyway``: before it has settled, with a wider uncertainty."""

    anyway: bool = False


class JarIn(_In):
    """Which jar the sensor is in now: the second, or one that is to be done again."""

    jar: Annotated[int, Field(ge=1, le=2)] = 2


class AdoptIn(_In):
    """From when the correction holds (default: the beginning of the check)."""

    from_at: InstantIn | None = None
    who: ShortText = ""


class TextIn(_In):
    """A material or schedule as YAML."""

    model_config = ConfigDict(extra="forbid", str_strip_whitespace=False)

    text: Annotated[str, Field(min_length=1, max_length=40_000)]
    who: ShortText = ""
    note: Annotated[str, Field(max_length=500)] = ""


class MarkFiguresIn(_In):
    """Figures of one mark that a data sheet gives, in hours; what is left out stays."""

    hours: FigureHours | None = None
    low_hours: Annotated[FigureHours | None, Field(serialization_alias="low")] = None
    high_hours: Annotated[FigureHours | None, Field(serialization_alias="high")] = None
    closes_hours: Annotated[FigureHours | None, Field(serialization_alias="closes")] = None


class FiguresIn(_In):
    """Figures of a data sheet for one material."""

    marks: dict[str, MarkFiguresIn] = {}
    limits: dict[str, float] = {}
    basis: Annotated[str, Field(min_length=3, max_length=120)]
    who: ShortText = ""


class WorkingIn(_In):
    """When and how the shop works; a day that is left out is a day off."""

    hours: dict[str, tuple[str, str]]
    hands: Annotated[int, Field(ge=1, le=20)] = 1
    booth: Annotated[int, Field(ge=1, le=20)] = 1
    most_coats_a_day: Annotated[int, Field(ge=1, le=20)] = 4
    setup_min: Annotated[int, Field(ge=0, le=240)] = 30
    mask_setup_min: Annotated[int, Field(ge=0, le=240)] = 15


class ClockIn(_In):
    """Where to drive a driven clock."""

    now: InstantIn | None = None
    rate: Annotated[float, Field(ge=1, le=3600)] | None = None
