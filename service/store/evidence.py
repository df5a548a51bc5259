"""The air of a coat at the moment it is recorded: what is kept with it as it was told then."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
from sqlmodel import Session

from service.science import air as moist
from service.shop.materials import Coating, Material
from service.shop.wet import beyond_model, film_floor
from service.store import readings

__all__ = ["air_at"]

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
