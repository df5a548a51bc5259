"""Film floor and its doubt over a span of air, reckoned once and read off for thousands of airs.

The film model is too slow to ask for every hour of every course of an outlook; its answers are
smooth in the air's temperature and in its distance from the dew point, so a polynomial through some
hundred of them stands in for it (within a tenth of a kelvin, see the tests).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import NDArray

from service.science import air as moist
from service.science import film
from service.shop.air import SURFACE_ASSUMED_SD_K, Air
from service.shop.materials import Coating, Material
from service.shop.wet import film_floor, in_model

__all__ = ["FilmTable", "Known"]

Floats = NDArray[np.float64]

AIRS, MARGINS = 6, 16
"""Temperatures and margins that the film is reckoned at: Chebyshev points, where a polynomial
through them does not swing."""

MARGIN_MAX_K = 27.0
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
        self._low, self._high = low, high
        air, margin = (
            x.ravel()
            for x in np.meshgrid(
                _stretched(chebyshev.chebpts1(AIRS), low, high),
                _stretched(chebyshev.chebpts1(MARGINS), 0.0, MARGIN_MAX_K),
                indexing="ij",
            )
        )
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
        self._floor = _through(floor - air)
        self._sd = _through(np.hypot(np.asarray(risk.blush_margin_sd_k), unmeasured))
        self._per_k = _through((floor - np.asarray(colder.film_floor_c)) / 0.5)

    def film(self, air_c: Floats, margin_k: Floats, surface_off_k: Floats) -> tuple[Floats, Floats]:
        """Film floor [°C] and the spread of its margin [K] for airs (n,).

        ``margin_k`` is the air over its dew point, ``surface_off_k`` the work over the air. Beyond
        the table's span of air the floor is NaN.
        """
        inside = (air_c >= self._low) & (air_c <= self._high)
        at = np.clip(air_c, self._low, self._high)
        x = 2.0 * (at - self._low) / (self._high - self._low) - 1.0
        y = 2.0 * np.clip(margin_k, 0.0, MARGIN_MAX_K) / MARGIN_MAX_K - 1.0
        off, sd, per_k = (
            np.asarray(chebyshev.chebval2d(x, y, c), dtype=np.float64)
            for c in (self._floor, self._sd, self._per_k)
        )
        return np.where(inside, at + off + surface_off_k * per_k, np.nan), sd


def _stretched(x: Floats, low: float, high: float) -> Floats:
    """Take points in -1...1 to low...high."""
    return low + (x + 1.0) / 2.0 * (high - low)


def _through(values: Floats) -> Floats:
    """Coefficients (AIRS, MARGINS) of the polynomial through values at all pairs of points."""
    over_air, over_margin = (
        np.linalg.inv(chebyshev.chebvander(chebyshev.chebpts1(n), n - 1)) for n in (AIRS, MARGINS)
    )
    return np.asarray(over_air @ values.reshape(AIRS, MARGINS) @ over_margin.T)
