"""A place's air that was, with what it would have done to a film, and the coats laid in it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from itertools import groupby, pairwise
from typing import Any

import numpy as np
from sqlmodel import col, select

from service.shop.past_film import past_film
from service.store.desk import Desk
from service.store.memo import kept
from service.store.tables import Coat, Instrument

__all__ = ["CoatThen", "FilmThen", "PastFilm", "past_film_of"]

LONGEST_BREAK = 3.0
"""A step this many times the usual one ends a stretch: nothing was heard in between."""


@dataclass(frozen=True)
class FilmThen:
    """One row: ``film_floor_c`` is None where it is not reckoned."""

    at: datetime
    film_floor_c: float | None
    may_spray: bool


@dataclass(frozen=True)
class CoatThen:
    """A coat that was laid in this place."""

    at: datetime
    instrument_id: int
    shop_number: str
    material_id: str


@dataclass(frozen=True)
class PastFilm:
    """Rows as the place's history has them; ``why_none`` says why there is none."""

    rows: tuple[FilmThen, ...]
    windows: tuple[tuple[datetime, datetime], ...]
    coats: tuple[CoatThen, ...]
    why_none: str = ""


def past_film_of(
    desk: Desk,
    place_id: str,
    material_id: str,
    from_at: datetime,
    to_at: datetime,
    points: int,
) -> PastFilm:
    """Say what a usual coat of a material would have met; raises NotFound and BadInput."""
    check = desk.spray_check(place_id, material_id)
    coats = _coats(desk, place_id, from_at, to_at)
    found = desk.history(place_id, from_at, to_at, "auto", points).rows
    rows = [row for row in found if row["dew_point_c"] is not None]
    if check.air is None or not rows:
        return PastFilm((), (), coats, "no reading of this air")
    material = desk.material(material_id)
    table, why_none = desk.film_table(check)
    if why_none:
        return PastFilm((), (), coats, why_none)
    floor, may = past_film(
        check.air,
        material,
        check.coating,
        table,
        (
            np.array([row["at"].timestamp() for row in rows]),
            np.array([_mean(row["air_c"]) for row in rows]),
            np.array([float(row["dew_point_c"]) for row in rows]),
        ),
    )
    told = tuple(
        FilmThen(row["at"], None if np.isnan(f) else round(float(f), 2), bool(m))
        for row, f, m in zip(rows, floor, may, strict=True)
    )
    return PastFilm(told, _stretches(told), coats)


def _mean(value: Any) -> float:
    return float(value["mean"] if isinstance(value, Mapping) else value)


def _stretches(rows: tuple[FilmThen, ...]) -> tuple[tuple[datetime, datetime], ...]:
    """Put rows in which it might be sprayed together; silence ends a stretch."""
    steps = sorted(b.at - a.at for a, b in pairwise(rows))
    longest = LONGEST_BREAK * steps[len(steps) // 2] if steps else None
    number, numbered = 0, []
    for index, row in enumerate(rows):
        if index and longest is not None and row.at - rows[index - 1].at > longest:
            number += 1
        numbered.append((number, row.may_spray, row.at))
    found = []
    for (_, may), group in groupby(numbered, key=lambda row: row[:2]):
        instants = [at for _, _, at in group]
        if may and len(instants) > 1:
            found.append((instants[0], instants[-1]))
    return tuple(found)


def _coats(desk: Desk, place_id: str, from_at: datetime, to_at: datetime) -> tuple[CoatThen, ...]:
    query = (
        select(Coat, Instrument.shop_number)
        .join(Instrument, col(Instrument.id) == col(Coat.instrument_id))
        .where(col(Coat.place_id) == place_id, col(Coat.undone_at).is_(None))
        .order_by(col(Coat.at))
    )
    with desk.db.read() as session:
        rows = kept(session, ("coats in", place_id), lambda: list(session.exec(query).all()))
    return tuple(
        CoatThen(coat.at, coat.instrument_id, number, coat.material_id)
        for coat, number in rows
        if from_at <= coat.at <= to_at
    )
