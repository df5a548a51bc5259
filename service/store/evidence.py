"""The air behind a coat and the waits behind a flaw, read from the record."""

from __future__ import annotations

import dataclasses
from datetime import datetime, timedelta
from typing import Any

import numpy as np
from sqlmodel import Session

from service.science import air as moist
from service.shop.flaws import AFTER_S, BEFORE_S, CoatEvidence, air_window
from service.shop.materials import Coating, Material
from service.shop.parts import touches
from service.shop.projection import AirCourse
from service.shop.wet import beyond_model, film_floor
from service.store import readings
from service.store.catalogue import Catalogue
from service.store.pieces import Piece, marks_of, schedule_of
from service.store.reckoning import Reckoning
from service.store.tables import Coat

__all__ = ["air_at", "behind"]

NEAR_S = 900.0
"""A reading further from the coat than this says nothing of its moment."""


def air_at(
    session: Session,
    place_id: str,
    at: datetime,
    material: Material,
    coating: Coating,
    pressure_pa: float,
) -> dict[str, float | str | None]:
    """Air of a place at an instant, interpolated, with the film reckoned in it.

    Empty where no reading lies within a quarter of an hour.
    """
    span = timedelta(seconds=NEAR_S)
    course = readings.series(session, place_id, at - span, at + span, None)
    if course.time_s.size == 0:
        return {}
    when = at.timestamp()
    air_c = float(np.interp(when, course.time_s, course.air_c))
    rh = float(np.interp(when, course.time_s, course.rh_pct))
    known = ~np.isnan(course.surface_c)
    surface = (
        float(np.interp(when, course.time_s[known], course.surface_c[known]))
        if known.any()
        else None
    )
    found: dict[str, float | str | None] = {
        "air_c": round(air_c, 3),
        "rh_pct": round(rh, 3),
        "surface_c": None if surface is None else round(surface, 3),
        "dew_point_c": round(float(moist.dew_point(air_c, rh)), 3) if rh > 0 else None,
        "reading_gap_s": round(float(np.min(np.abs(course.time_s - when))), 1),
    }
    return found | _film(material, coating, air_c, rh, surface, pressure_pa)


def behind(
    session: Session,
    piece: Piece,
    catalogue: Catalogue,
    reckoning: Reckoning,
    seen_at: datetime,
    coat_id: int | None,
) -> dict[str, Any]:
    """Evidence of every coat under a flaw seen at ``seen_at`` (or of one coat), as JSON.

    Each coat carries the air before, at and after it, and how far the clock of the coat below
    was when it went on.
    """
    coats = [c for c in piece.coats if c.at <= seen_at and coat_id in (None, c.id)]
    return {
        "seen_at": seen_at.isoformat(),
        "coats": [_plain(_of_coat(session, piece, catalogue, reckoning, coat)) for coat in coats],
    }


def _of_coat(
    session: Session, piece: Piece, catalogue: Catalogue, reckoning: Reckoning, coat: Coat
) -> CoatEvidence:
    before, after = timedelta(seconds=BEFORE_S), timedelta(seconds=AFTER_S)
    read = readings.series(session, coat.place_id, coat.at - before, coat.at + after, None)
    course = AirCourse(read.time_s, read.air_c, read.rh_pct)
    below = [c for c in piece.coats if c.at < coat.at and touches(c.parts, coat.parts)]
    waited = None
    if below:
        marks = marks_of(
            session,
            piece.of(below[-1].parts),
            catalogue,
            coat.at,
            below[-1],
            reckoning=reckoning,
        )
        schedule = schedule_of(piece, catalogue)
        step = schedule.step(coat.step_key) if schedule else None
        same = below[-1].step_key == coat.step_key
        wanted = None if step is None else (step.between if same else step.after)
        waited = next((m for m in marks if m.mark == (wanted or "recoat")), None)
    return CoatEvidence(
        coat_id=int(coat.id or 0),
        step_key=coat.step_key,
        material_id=coat.material_id,
        at=coat.at,
        place_id=coat.place_id,
        wet_um=coat.wet_um,
        retarder_pct=coat.retarder_pct,
        who=coat.who,
        before=air_window(course, coat.at - before, coat.at),
        after=air_window(course, coat.at, coat.at + after),
        air_at=coat.air,
        waited_clock=None if waited is None else waited.clock,
        waited_mark=None if waited is None else waited.mark,
    )


def _film(
    material: Material,
    coating: Coating,
    air_c: float,
    rh: float,
    surface_c: float | None,
    pressure_pa: float,
) -> dict[str, float | str | None]:
    face_c = air_c if surface_c is None else surface_c
    if material.blend is None or beyond_model(air_c, face_c, coating, pressure_pa):
        return {}  # the coat is kept all the same
    floor = film_floor(material, coating, air_c, rh, surface_c=surface_c, pressure_pa=pressure_pa)
    floor_c = float(floor.film_floor_c)
    margin = None if rh <= 0 else round(floor_c - float(moist.dew_point(air_c, rh)), 3)
    return {"film_floor_c": round(floor_c, 3), "blush_margin_k": margin}


def _plain(value: Any) -> Any:
    """Turn dataclasses and instants into what JSON can carry."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: _plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, datetime):
        return value.isoformat()
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, float):
        return round(value, 4)
    return value
