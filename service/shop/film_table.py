"""Film floor and its doubt over a span of air, reckoned once and read off for thousands of airs.

The film model is too slow to ask for every hour of every course of an outlook; its answers are
smooth in the air's temperature and in its distance from the dew point, so a spline through some
hundred of them stands in for it (within 0.05 K of it, see the tests).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import RectBivariateSpline

from service.science import air as moist
from service.science import film
from service.shop.air import SURFACE_ASSUMED_SD_K, Air
from service.shop.materials import Coating, Material
from service.shop.wet import film_floor, in_model

__all__ = ["FilmTable", "Known"]

Floats = NDArray[np.float64]

STEP_K = 2.5
MARGINS_K = np.array([0.0, 2.0, 4.0, 6.0, 8.0, 10.0, 12.5, 15.0, 18.0, 22.0, 27.0])
BEYOND_K = 1.0
"""The table reaches this far past the limits that the material sets to the air itself."""


@dataclass(frozen=True)
class Known:
    """What of the air now a table depends on, rounded so that it holds for hours."""

    pressure_pa: float
    air_sd_k: float
    rh_sd_pct: float
    surface_measured: bool

    @classmethod
    def of(cls, air: Air) -> Known:
        """Round what matters of the air of a place."""
        return cls(
            round(air.pressure_pa / 1000.0) * 1000.0,
            round(air.air_sd_k, 2),
            round(air.rh_sd_pct, 1),
            air.surface_measured,
        )


class FilmTable:
    """A coat's film in any air that its material's own limits leave open.

    Raises
    ------
    ValueError
        Where the coat is outside what the film model covers.
    """

    def __init__(self, material: Material, coating: Coating, known: Known) -> None:
        limits, coat = material.limits, in_model(coating)
        low = max(film.AIR_MIN_C + 0.5, limits.air_min_c.value - BEYOND_K)
        high = min(film.AIR_MAX_C - 0.5, limits.air_max_c.value + BEYOND_K)
        self._air = np.linspace(low, high, max(4, round((high - low) / STEP_K) + 1))
        air, margin = (x.ravel() for x in np.meshgrid(self._air, MARGINS_K, indexing="ij"))
        rh = np.clip(np.asarray(moist.rh_at_dew_point(air, air - margin)), 0.0, 100.0)
        risk = film.blush_risk(
            material.sprayed,
            air,
            rh,
            air_sd_k=known.air_sd_k,
            rh_sd_pct=known.rh_sd_pct,
            wet_um=coat.wet_um,
            h_w_m2k=coat.h_w_m2k,
            plate_mm=coat.plate_mm,
            retarder_pct=coat.retarder_pct,
            retarder=material.retarder or film.DEFAULT_RETARDER,
            pressure_pa=known.pressure_pa,
            surface_c=air if known.surface_measured else None,
        )
        colder = film_floor(
            material, coat, air, rh, surface_c=air - 0.5, pressure_pa=known.pressure_pa
        )
        dew = np.asarray(moist.dew_point(air, np.maximum(rh, 1e-6)))
        floor = np.asarray(risk.blush_margin_k) + dew
        unmeasured = 0.0 if known.surface_measured else SURFACE_ASSUMED_SD_K
        self._floor = self._spline(floor - air)
        self._sd = self._spline(np.hypot(np.asarray(risk.blush_margin_sd_k), unmeasured))
        self._per_k = self._spline((floor - np.asarray(colder.film_floor_c)) / 0.5)

    def _spline(self, values: Floats) -> RectBivariateSpline:
        return RectBivariateSpline(
            self._air, MARGINS_K, values.reshape(self._air.size, MARGINS_K.size)
        )

    def film(self, air_c: Floats, margin_k: Floats, surface_off_k: Floats) -> tuple[Floats, Floats]:
        """Film floor [°C] and the spread of its margin [K] for airs (n,).

        ``margin_k`` is the air over its dew point, ``surface_off_k`` the work over the air. Beyond
        the table's span of air the floor is NaN.
        """
        margin = np.clip(margin_k, 0.0, MARGINS_K[-1])
        inside = (air_c >= self._air[0]) & (air_c <= self._air[-1])
        at = np.clip(air_c, self._air[0], self._air[-1])
        floor = at + self._floor.ev(at, margin) + surface_off_k * self._per_k.ev(at, margin)
        return np.where(inside, floor, np.nan), np.asarray(self._sd.ev(at, margin))
