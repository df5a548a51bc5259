"""Kinds of flaw: what each looks like, when it shows, and what is usually done about it."""

from __future__ import annotations

from dataclasses import dataclass

from service.shop.parts import PARTS

__all__ = ["SEVERITY_MAX", "SEVERITY_MIN", "FlawKind", "coated_with"]

SEVERITY_MIN, SEVERITY_MAX = 1, 3
"""From slight to one that means stripping."""


@dataclass(frozen=True)
class FlawKind:
    """A kind of flaw, described in the trade's words.

    Attributes
    ----------
    order
        Place among the others where they are listed.
    plain
        What it is, in half a sentence.
    looks, shows
        What to look for, and when it comes.
    newest_coat
        Whether it lies in the newest coat where nobody says otherwise.
    remedies, cautions
        What is usual, most careful first. The material's data sheet comes before them.
    basis
        What these words rest on.
    """

    id: str
    order: int
    name: str
    plain: str
    looks: str
    shows: str
    newest_coat: bool
    remedies: tuple[str, ...]
    cautions: tuple[str, ...]
    basis: str


COATED_WITH = {
    "edge": ("top", "back", "sides"),
    "heel": ("neck",),
    "headstock": ("head",),
    "fingerboard": ("neck",),
    "bridge": ("top",),
}
"""Spots that are coated along with other parts."""


def coated_with(part: str) -> tuple[str, ...]:
    """Return the parts whose coats lie under a flaw; empty: it may be any of them.

    ``part`` is what was said of the flaw, in any case of letters; "" where nothing was.
    """
    named = part.strip().lower()
    return (named,) if named in PARTS else COATED_WITH.get(named, ())
