"""What the API gives of a place's past: what it would have done to a film, and the coats in it."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict

from service.store.past_film import PastFilm
from service.web.models import Instant, Number

__all__ = ["PastFilmOut", "past_film_out"]


class _Out(BaseModel):
    model_config = ConfigDict(from_attributes=True)


class FilmThenOut(_Out):
    """One instant: the floor a usual wet film would have had, and whether every limit held."""

    at: Instant
    film_floor_c: Number
    may_spray: bool


class StretchOut(_Out):
    """A stretch in which every limit held."""

    start_at: Instant
    end_at: Instant


class CoatThenOut(_Out):
    """A coat that was laid here."""

    at: Instant
    instrument_id: int
    shop_number: str
    material_id: str


class PastFilmOut(_Out):
    """The past of a place for a material; ``why_none`` says why there are no rows."""

    place: str
    material: str
    why_none: str
    rows: list[FilmThenOut]
    windows: list[StretchOut]
    coats: list[CoatThenOut]


def past_film_out(found: PastFilm, place_id: str, material_id: str) -> PastFilmOut:
    """The past of a place for a material."""
    return PastFilmOut(
        place=place_id,
        material=material_id,
        why_none=found.why_none,
        rows=[FilmThenOut.model_validate(row) for row in found.rows],
        windows=[StretchOut(start_at=a, end_at=b) for a, b in found.windows],
        coats=[CoatThenOut.model_validate(coat) for coat in found.coats],
    )
