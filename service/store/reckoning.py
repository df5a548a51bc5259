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

    not_yet: Mapping[int, Mapping[str, float]] = field(default_factory=dict)
    """Of a coat and a mark, the reference hours at which it was said last that it was not ready;
    absent where the latest word on it is that it was."""

    outlook_of: OutlookOf = no_outlook

    def scales_of(self, material: Material) -> Mapping[str, MarkScale]:
        """Scale of each mark of a material, as learned; empty where nothing is learned of it.

        It is on top of the reference hours that the material states, whichever version it is.
        """
        observed = self.observed.get(material.id)
        if not observed:
            return REFERENCE
        return {found.mark: found for found in mark_scales(Prior.of(material), observed)}

    def scales_for(self, material: Material, coat_id: int) -> Mapping[str, MarkScale]:
        """Scales for one coat: a mark that was said not to be reached, as all other taps have it.

        That tap is reckoned with by itself (``not_yet`` of ``projection.ready_times``) and must not
        count twice.
        """
        scales, said = dict(self.scales_of(material)), self.not_yet.get(coat_id, {})
        for mark in said:
            others = [
                seen
                for seen in self.observed.get(material.id, ())
                if (seen.coat, seen.mark) != (coat_id, mark)
            ]
            found = mark_scales(Prior.of(material), others)
            scales |= {one.mark: one for one in found if one.mark == mark}
        return scales


BY_THE_BOOK = Reckoning()
"""Nothing learned: every material as its file gives it."""
