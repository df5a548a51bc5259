"""Corrections of a sensor: dated, undoable, and laid over what it sent as a view."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["CORRECTABLE", "Corrections", "Standing"]

CORRECTABLE = ("air_c", "rh_pct", "surface_c")
"""Quantities that may be corrected."""


@dataclass(frozen=True)
class Standing:
    """One correction that stands: ``slope * raw + offset`` from ``from_s`` (s since 1970) on.

    ``sd`` is the standard uncertainty of a corrected value in the quantity's own unit, if known.
    """

    quantity: str
    from_s: float
    slope: float = 1.0
    offset: float = 0.0
    sd: float | None = None


@dataclass(frozen=True)
class Corrections:
    """Every correction of one sensor that stands; at each instant the last begun one holds.

    A correction is always from what was sent, never on top of an earlier one.
    """

    by_quantity: Mapping[str, tuple[Standing, ...]] = field(default_factory=dict)

    @classmethod
    def of(cls, standing: Iterable[Standing]) -> Corrections:
        """Put corrections in order; of two that begin at one instant the one given later holds."""
        found: dict[str, dict[float, Standing]] = {}
        for one in standing:
            found.setdefault(one.quantity, {})[one.from_s] = one
        return cls({q: tuple(c[s] for s in sorted(c)) for q, c in found.items()})

    def apply(
        self, quantity: str, time_s: NDArray[np.float64], raw: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Return corrected values; humidity is cut to 0 to 100 %, NaN stays NaN."""
        pieces = self.by_quantity.get(quantity, ())
        value = raw
        if pieces:
            slope = np.array([1.0, *(p.slope for p in pieces)])
            offset = np.array([0.0, *(p.offset for p in pieces)])
            piece = np.searchsorted([p.from_s for p in pieces], time_s, side="right")
            value = slope[piece] * raw + offset[piece]
        return np.clip(value, 0.0, 100.0) if quantity == "rh_pct" else value

    def line(self, quantity: str, at_s: float) -> tuple[float, float]:
        """Return slope and offset that hold at an instant."""
        held = [p for p in self.by_quantity.get(quantity, ()) if p.from_s <= at_s]
        return (held[-1].slope, held[-1].offset) if held else (1.0, 0.0)

    def at(self, quantity: str, at_s: float, raw: float) -> float:
        """Return one corrected value."""
        return float(self.apply(quantity, np.array([at_s]), np.array([raw]))[0])

    def sd(self, quantity: str, at_s: float, unchecked_sd: float) -> float:
        """Return the standard uncertainty that holds at an instant."""
        held = [p for p in self.by_quantity.get(quantity, ()) if p.from_s <= at_s]
        return unchecked_sd if not held or held[-1].sd is None else held[-1].sd

    def begins(self, quantities: ArrayLike = CORRECTABLE) -> tuple[float, ...]:
        """Return the instants at which a correction of any of the quantities begins, in order."""
        wanted = set(np.atleast_1d(quantities).tolist())
        return tuple(sorted({p.from_s for q in wanted for p in self.by_quantity.get(q, ())}))
