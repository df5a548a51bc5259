"""What ready times rest on besides a piece's own record: what the shop's verdicts have taught.

Put together once for each time the shop is looked at, and handed to every piece.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from sqlmodel import Session

from service.shop.learning import MarkScale, Observation, Prior, mark_scales
from service.shop.materials import Material
from service.shop.projection import REFERENCE
from service.store.outlooks import Issue

__all__ = ["BY_THE_BOOK", "Reckoning"]

OutlookOf = Callable[[Session, str], Issue | None]
"""Gives the outlook of a place; None where it has none."""


def no_outlook(_session: Session, _place_id: str) -> None:
    """Hold the newest air: no place has an outlook."""


@dataclass(frozen=True)
class Reckoning:
    """What holds for all pieces of a shop at one moment."""

    observed: Mapping[str, tuple[Observation, ...]] = field(default_factory=dict)
    """Verdicts by material, as far as they can be learned from."""

    outlook_of: OutlookOf = no_outlook

    def scales_of(self, material: Material) -> Mapping[str, MarkScale]:
        """Scale of each mark of a material, as learned; empty where nothing is learned of it.

        It is on top of the reference hours that the material states, whichever version it is.
        """
        observed = self.observed.get(material.id)
        if not observed:
            return REFERENCE
        return {found.mark: found for found in mark_scales(Prior.of(material), observed)}


BY_THE_BOOK = Reckoning()
"""Nothing learned: every material as its file gives it."""
