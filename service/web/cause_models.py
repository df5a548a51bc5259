"""What the API gives of the likely causes of a flaw."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from service.shop.causes import Says, Scored
from service.store.cause_book import Judged, knowledge
from service.web.flaw_models import EvidenceOut, FlawKindOut, FlawOut

__all__ = ["CauseIn", "CauseOut", "CausesOut", "ReportOut", "SaysOut", "causes_out"]

CAVEAT = (
    "A likelihood from the record and from assumed weights, no verdict; its measure against "
    "simulated flaws is in the docs."
)


class SaysOut(BaseModel):
    """What one indicator says: ``ratio`` above 1 speaks for the cause, below 1 against it.

    ``coat`` is the coat's number under the flaw, from 1; null: of the piece.
    """

    indicator: str
    name: str
    value: float
    unit: str
    ratio: float
    coat: int | None


class CauseOut(BaseModel):
    """A cause that may be behind a flaw."""

    id: str
    name: str
    how: str
    probability: float
    prior: float
    seen_in_record: bool
    coat: int | None
    speaks_for: list[SaysOut]
    speaks_against: list[SaysOut]
    not_known: list[str]


class CausesOut(BaseModel):
    """Causes, likeliest first; ``verdict`` says whether one stands out or too little is known."""

    verdict: str
    known_part: float
    causes: list[CauseOut]
    confirmed: str | None
    counted: int
    left_out: list[str]
    caveat: str
    basis: str


class ReportOut(BaseModel):
    """Everything that the report on a flaw rests on; its digest is in ``evidence``."""

    flaw: FlawOut
    kind: FlawKindOut
    evidence: EvidenceOut
    causes: CausesOut


class CauseIn(BaseModel):
    """What was found to be behind a flaw."""

    model_config = ConfigDict(extra="forbid")

    cause: Annotated[str, Field(max_length=64)]
    who: Annotated[str, Field(max_length=80)] = ""


def causes_out(judged: Judged) -> CausesOut:
    """Put the causes together for an answer."""
    return CausesOut(
        verdict=judged.likely.verdict,
        known_part=round(judged.likely.known_part, 3),
        causes=[_cause(scored) for scored in judged.likely.causes],
        confirmed=judged.confirmed,
        counted=judged.counted,
        left_out=list(judged.findings.left_out),
        caveat=CAVEAT,
        basis=knowledge().basis,
    )


def _cause(scored: Scored) -> CauseOut:
    known, indicators = knowledge().causes.get(scored.cause), knowledge().indicators
    return CauseOut(
        id=scored.cause,
        name="Something else" if known is None else known.name,
        how="None of the causes named here." if known is None else known.how,
        probability=round(scored.probability, 4),
        prior=round(scored.prior, 4),
        seen_in_record=known is not None and known.seen_in_record,
        coat=None if scored.coat is None else scored.coat + 1,
        speaks_for=[_says(says) for says in scored.speaks_for],
        speaks_against=[_says(says) for says in scored.speaks_against],
        not_known=[indicators[name].name for name in scored.not_known],
    )


def _says(says: Says) -> SaysOut:
    indicator = knowledge().indicators[says.indicator]
    return SaysOut(
        indicator=says.indicator,
        name=indicator.name,
        value=round(says.value, 4),
        unit=indicator.unit,
        ratio=round(says.ratio, 3),
        coat=None if says.coat is None else says.coat + 1,
    )
