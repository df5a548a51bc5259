"""What the API takes: pydantic models that refuse NaN, infinities and unknown fields."""

from __future__ import annotations

import re
from typing import Annotated, Literal

from pydantic import AliasChoices, AwareDatetime, BaseModel, ConfigDict, Field

__all__ = [
    "ClockIn",
    "CoatIn",
    "FlawIn",
    "HangIn",
    "InstrumentIn",
    "PlaceIn",
    "StepIn",
]

ShortText = Annotated[str, Field(max_length=80)]
LongText = Annotated[str, Field(max_length=2000)]
PlaceId = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9_-]{0,63}$", examples=["booth"])]
RetarderPct = Annotated[float, Field(ge=0, le=100)]
PlateMm = Annotated[float, Field(gt=0, le=100)]


class _In(BaseModel):
    model_config = ConfigDict(extra="forbid", allow_inf_nan=False, str_strip_whitespace=True)


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
