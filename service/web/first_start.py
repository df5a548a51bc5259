"""How far the first start has come: what is there tells most of it, a fact keeps the rest."""

from __future__ import annotations

from dataclasses import dataclass

from service.store.desk import PlaceView
from service.store.facts import Facts
from service.web.deps import Shop

__all__ = ["STEPS", "Progress", "mark", "progress"]

FACT = "first_start"

STEPS = ("shop", "place", "sensor", "material")
"""In this order; each may be skipped, and taken up again."""


@dataclass(frozen=True)
class Progress:
    """Steps that are done, and the place it is about: the first with air, else the first."""

    done: frozenset[str]
    places: tuple[PlaceView, ...]

    @property
    def open(self) -> str | None:
        """The first step that is not done."""
        return next((step for step in STEPS if step not in self.done), None)

    @property
    def place(self) -> PlaceView | None:
        """The place whose air is asked for."""
        heard = [place for place in self.places if place.air is not None]
        return next(iter(heard or self.places), None)


def progress(shop: Shop) -> Progress:
    """Say how far it has come."""
    places = tuple(shop.desk.places())
    said = Facts(shop.desk.db).get(FACT) or {}
    done = set(said.get("done", ()))
    if places:
        done.add("place")
    if any(place.air is not None for place in places):
        done.add("sensor")
    return Progress(frozenset(done & set(STEPS)), places)


def mark(shop: Shop, step: str) -> None:
    """Keep that a step is done."""
    Facts(shop.desk.db).update(
        FACT, lambda said: {"done": sorted({*(said or {}).get("done", ()), step})}
    )
