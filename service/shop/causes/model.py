"""What is known of causes, and what was found of one flaw: plain dataclasses."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

__all__ = ["SOMETHING_ELSE", "Cause", "Finding", "Findings", "Indicator", "Knowledge"]

SOMETHING_ELSE = "something_else"
"""The cause that nobody has thought of; it expects what is usual."""


@dataclass(frozen=True)
class Indicator:
    """One figure of the record that may speak for or against a cause.

    Attributes
    ----------
    of
        Whether each coat has one of its own, or the piece has one.
    group
        Of the indicators of a group only the first known counts.
    edges
        Cuts between bins, in rising order, in ``unit``; a value at an edge is in the bin above it.
    usual
        Share of coats (or pieces) without the cause in each bin; sums to 1.
    """

    id: str
    of: Literal["coat", "piece"]
    group: str
    name: str
    unit: str
    edges: tuple[float, ...]
    usual: tuple[float, ...]


@dataclass(frozen=True)
class Cause:
    """Something that brings about flaws.

    Attributes
    ----------
    kinds
        Prior weight by kind of flaw; a kind that is absent is not its doing.
    expects
        Of an indicator: share of spoiled coats (or pieces) in each bin; sums to 1.
    """

    id: str
    name: str
    how: str
    kinds: Mapping[str, float]
    expects: Mapping[str, tuple[float, ...]]

    @property
    def seen_in_record(self) -> bool:
        """Whether the record of air and waits can say anything of it at all."""
        return bool(self.expects)


@dataclass(frozen=True)
class Knowledge:
    """Indicators in their order, causes, and the kinds whose trouble lies in the newest coats."""

    indicators: Mapping[str, Indicator]
    causes: Mapping[str, Cause]
    near_the_surface: frozenset[str]
    basis: str

    def causes_of(self, kind: str) -> tuple[Cause, ...]:
        """Causes that may be behind a kind of flaw; empty where none is known."""
        return tuple(c for c in self.causes.values() if kind in c.kinds)


@dataclass(frozen=True)
class Finding:
    """An indicator's value as it was found, with its standard uncertainty (same unit)."""

    value: float
    sd: float = 0.0


@dataclass(frozen=True)
class Findings:
    """What was found of one flaw: of each coat under it, oldest first, and of its piece.

    An indicator that is absent is not known. ``left_out`` names what the record should know and
    does not, in words.
    """

    coats: tuple[Mapping[str, Finding], ...]
    piece: Mapping[str, Finding]
    left_out: tuple[str, ...] = ()
