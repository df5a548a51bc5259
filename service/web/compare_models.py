"""What the API gives of flawed coats against clean ones."""

from __future__ import annotations

import math
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from service.shop.compare import Bin
from service.store.comparing import MEASURES, Compared, Suggestion

__all__ = ["AdoptIn", "BinOut", "ComparedOut", "SuggestionOut", "compared_out"]


class BinOut(BaseModel):
    """Coats from ``from_value`` to below ``to_value`` (null: no end), and how many are flawed.

    ``rate`` is null without coats; ``rate_low`` to ``rate_high`` is its 80 % interval.
    """

    from_value: float | None
    to_value: float | None
    coats: int
    flawed: int
    rate: float | None
    rate_low: float
    rate_high: float


class MeasureOut(BaseModel):
    """Counts by one figure of the air."""

    id: str
    name: str
    unit: str
    bins: list[BinOut]


class SuggestionOut(BaseModel):
    """A stricter limit that the record speaks for."""

    measure: str
    limit: str
    value: float
    now: float
    probability: float
    reason: str


class ComparedOut(BaseModel):
    """Coats of a material, flawed against clean; ``left_out`` lie under a flaw that names none."""

    coats: int
    flawed: int
    left_out: int
    measures: list[MeasureOut]
    suggestions: list[SuggestionOut]


class AdoptIn(BaseModel):
    """A suggested limit to be taken on."""

    model_config = ConfigDict(extra="forbid")

    kind: Annotated[str, Field(max_length=64)]
    material: Annotated[str, Field(max_length=64)]
    limit: Annotated[str, Field(max_length=64)]
    who: Annotated[str, Field(max_length=80)] = ""


def compared_out(found: Compared) -> ComparedOut:
    """Put a comparison together for an answer."""
    return ComparedOut(
        coats=len(found.rows),
        flawed=sum(row.flawed for row in found.rows),
        left_out=found.left_out,
        measures=[
            MeasureOut(id=name, name=m.name, unit=m.unit, bins=[_bin(b) for b in found.bins[name]])
            for name, m in MEASURES.items()
        ],
        suggestions=[_suggestion(s) for s in found.suggestions],
    )


def _bin(found: Bin) -> BinOut:
    return BinOut(
        from_value=found.low,
        to_value=found.high,
        coats=found.coats,
        flawed=found.flawed,
        rate=None if math.isnan(found.rate) else round(found.rate, 4),
        rate_low=round(found.rate_low, 4),
        rate_high=round(found.rate_high, 4),
    )


def _suggestion(found: Suggestion) -> SuggestionOut:
    return SuggestionOut(
        measure=found.measure,
        limit=found.limit,
        value=found.split.at,
        now=found.now,
        probability=round(found.split.probability, 4),
        reason=found.reason(),
    )
