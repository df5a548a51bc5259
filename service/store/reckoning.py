"""What ready times rest on besides a piece's own record: what the shop's verdicts have taught.

Put together once for each time the shop is looked at, and handed to every piece.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from service.shop.learning import MarkScale, Posterior
from service.shop.projection import REFERENCE

__all__ = ["BY_THE_BOOK", "Reckoning"]


@dataclass(frozen=True)
class Reckoning:
    """What holds for all pieces of a shop at one moment."""

    learned: Mapping[str, Posterior] = field(default_factory=dict)
    """By material; only materials that something was learned of."""

    def scales_of(self, material_id: str) -> Mapping[str, MarkScale]:
        """Scale of each mark of a material, as learned; empty where nothing is learned of it."""
        found = self.learned.get(material_id)
        return REFERENCE if found is None else {scale.mark: scale for scale in found.marks}


BY_THE_BOOK = Reckoning()
"""Nothing learned: every material as its file gives it."""
