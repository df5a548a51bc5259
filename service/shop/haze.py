"""The dew point from which on a coat clouds, over all air that the film model knows.

It takes a few hundred films to find and changes little from degree to degree, so a grid of air and
surface is reckoned once for each way of coating and read off for any number of airs.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from service.science import film
from service.science.blend import Blend
from service.shop.materials import Coating, Material
from service.shop.wet import in_model

__all__ = ["clouds_from"]

Floats = NDArray[np.float64]

_AIRS: Floats = np.linspace(film.AIR_MIN_C, film.AIR_MAX_C, 8)
_OFFS: Floats = np.array([-8.0, -4.0, 0.0, 4.0])
"""Air, °C, and the work over it, K. Between them straight lines are within a tenth of a kelvin."""

_PRESSURE_STEP_PA = 4000.0
"""As much pressure moves the answer by less than a tenth of a kelvin."""


def clouds_from(
    material: Material,
    coating: Coating,
    air_c: Floats,
    surface_c: Floats,
    pressure_pa: float,
    *,
    wet_um: Floats,
    retarder_pct: Floats,
) -> Floats:
    """Dew point from which on water stays undissolved in a coat, °C: (N,), all arguments too.

    The temperature of the air where no air below saturation does that; infinite where water is the
    carrier, and for a material that sets no limit to blush. ``wet_um`` and ``retarder_pct`` stand
    in for those of ``coating``.
    """
    blend = material.sprayed
    if blend.polymer_chi is None or material.limits.blush_margin_k is None:
        return np.full_like(air_c, np.inf)
    pressure = round(pressure_pa / _PRESSURE_STEP_PA) * _PRESSURE_STEP_PA
    coat = in_model(coating)
    gap = np.empty_like(air_c)
    ways, which = np.unique(np.stack([wet_um, retarder_pct]), axis=1, return_inverse=True)
    for nth, (wet, percent) in enumerate(ways.T.tolist()):
        here = which.ravel() == nth
        table = _gaps(
            blend,
            material.retarder or film.DEFAULT_RETARDER,
            (wet, percent, coat.h_w_m2k, coat.plate_mm, pressure),
        )
        gap[here] = _between(table, air_c[here], surface_c[here] - air_c[here])
    return air_c - gap


@lru_cache(maxsize=256)
def _gaps(blend: Blend, retarder: str, coat: tuple[float, float, float, float, float]) -> Floats:
    """How far below the air that dew point lies, K: (airs, offs)."""
    wet_um, retarder_pct, h_w_m2k, plate_mm, pressure_pa = coat
    air_c, off_k = (x.ravel() for x in np.meshgrid(_AIRS, _OFFS, indexing="ij"))
    dew = film.haze_dew_point(
        blend,
        air_c,
        wet_um=wet_um,
        h_w_m2k=h_w_m2k,
        plate_mm=plate_mm,
        retarder_pct=retarder_pct,
        retarder=retarder,
        pressure_pa=pressure_pa,
        surface_c=np.clip(air_c + off_k, film.AIR_MIN_C, film.AIR_MAX_C),
    )
    return (air_c - np.minimum(dew, air_c)).reshape(_AIRS.size, _OFFS.size)


def _between(table: Floats, air_c: Floats, off_k: Floats) -> Floats:
    """Read a table off between its points, and at its edge beyond it."""
    row, down = _place(_AIRS, air_c)
    column, across = _place(_OFFS, off_k)
    upper = table[row, column] * (1.0 - across) + table[row, column + 1] * across
    lower = table[row + 1, column] * (1.0 - across) + table[row + 1, column + 1] * across
    return np.asarray(upper * (1.0 - down) + lower * down)


def _place(points: Floats, values: Floats) -> tuple[NDArray[np.intp], Floats]:
    """Which points each value lies between, and how far along."""
    at = np.clip(values, points[0], points[-1])
    first = np.clip(np.searchsorted(points, at) - 1, 0, points.size - 2)
    return first, (at - points[first]) / (points[first + 1] - points[first])
