"""What the API says of learning: scales are times over the material's own, spreads of their log."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel

from service.shop.learning import MarkScale, Posterior
from service.store.verdicts import Learning, Told
from service.web.models import Instant

__all__ = ["LearningOut", "VerdictOut", "learning_out", "verdict_out"]


class ScaleOut(BaseModel):
    """Time over the reference: median, 10 and 90 % quantiles, spread of the natural logarithm."""

    middle: float
    low: float
    high: float
    sd_log: float


class MarkScaleOut(ScaleOut):
    """A mark's own scale; ``sd_log`` is the spread of one coat's time about the middle."""

    mark: str


class PosteriorOut(ScaleOut):
    """What is known of the scale, and how many verdicts that rests on."""

    taps: int
    coats: int
    pieces: int


class VerdictOut(BaseModel):
    """A verdict that stands, and what was known after it.

    ``hours`` is what the coat's clock had run, at the material's reference. ``left_out`` says why
    nothing is learned from it.
    """

    id: int
    instrument: int
    shop_number: str
    coat: int
    said: Literal["soft", "clean", "gummed", "printed"]
    mark: str
    ready: bool
    at: Instant
    hours: float
    waited_h: float
    gap_h: float
    who: str
    left_out: str | None
    after: PosteriorOut


class PriorMarkOut(BaseModel):
    """A mark before any verdict; ``own_sd_log`` is what it may differ by from the shared scale."""

    mark: str
    hours: float
    own_sd_log: float


class PriorOut(ScaleOut):
    """What was known before any verdict, and what was assumed of coats and thumbs."""

    piece_sd_log: float
    lapse: float
    marks: list[PriorMarkOut]


class LearningOut(BaseModel):
    """A material's time scale in this shop, and how it came about."""

    material: str
    words: str
    range_words: str
    prior: PriorOut
    updates: list[VerdictOut]
    posterior: PosteriorOut
    marks: list[MarkScaleOut]


def verdict_out(told: Told) -> VerdictOut:
    """A verdict, and what was known after it."""
    return VerdictOut(
        id=told.id,
        instrument=told.instrument_id,
        shop_number=told.shop_number,
        coat=told.coat_id,
        said=told.said,
        mark=told.mark,
        ready=told.ready,
        at=told.at,
        hours=told.hours,
        waited_h=told.waited_h,
        gap_h=told.gap_h,
        who=told.who,
        left_out=told.left_out or None,
        after=_posterior(told.after),
    )


def learning_out(found: Learning) -> LearningOut:
    """Everything about a material's time scale."""
    before = found.before
    return LearningOut(
        material=found.material.id,
        words=found.after.words,
        range_words=found.after.range_words,
        prior=PriorOut(
            middle=before.middle,
            low=before.low,
            high=before.high,
            sd_log=before.sd_log,
            piece_sd_log=found.prior.piece_sd,
            lapse=found.prior.lapse,
            marks=[
                PriorMarkOut(mark=mark.name, hours=mark.hours, own_sd_log=mark.own_sd)
                for mark in found.prior.marks
            ],
        ),
        updates=[verdict_out(told) for told in found.told],
        posterior=_posterior(found.after),
        marks=[_mark(scale) for scale in found.marks],
    )


def _posterior(found: Posterior) -> PosteriorOut:
    return PosteriorOut(
        middle=found.middle,
        low=found.low,
        high=found.high,
        sd_log=found.sd_log,
        taps=found.taps,
        coats=found.coats,
        pieces=found.pieces,
    )


def _mark(scale: MarkScale) -> MarkScaleOut:
    return MarkScaleOut(
        mark=scale.mark,
        middle=scale.middle,
        low=scale.low,
        high=scale.high,
        sd_log=scale.sd_log,
    )
