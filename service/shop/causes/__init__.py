"""What may be behind a flaw, by what the record shows: causes scored, for and against."""

from service.shop.causes.model import (
    SOMETHING_ELSE,
    Cause,
    Finding,
    Findings,
    Indicator,
    Knowledge,
)
from service.shop.causes.score import Likely, Says, Scored, ratio_of, score

__all__ = [
    "SOMETHING_ELSE",
    "Cause",
    "Finding",
    "Findings",
    "Indicator",
    "Knowledge",
    "Likely",
    "Says",
    "Scored",
    "ratio_of",
    "score",
]
