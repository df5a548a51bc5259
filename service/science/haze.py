"""From which dew point on a coat keeps water that no longer dissolves, and dries white with it."""

from __future__ import annotations

from typing import Any

import numpy as np

from service.science import air
from service.science._checks import FloatArray, Quantity, as_given
from service.science.blend import Blend
from service.science.constants import STANDARD_PRESSURE_PA
from service.science.lot import Lot
from service.science.wet_film import DEFAULT_RETARDER, DEFAULT_WOOD

__all__ = ["HAZE_G_M2", "haze_dew_point"]

HAZE_G_M2 = 0.4
"""Undissolved water at set from which on a coat counts as white, g/m² (`assumed`).

Less than that the fast form cannot tell from none. It hardly matters: another half kelvin of dew
point brings about as much again, so that the answer for a tenth of it lies as far below.
"""

_DRIEST_K, _DAMPEST_K = 20.0, 0.05
_COARSE, _FINE = 11, 6


def haze_dew_point(
    blend: Blend,
    air_c: Quantity | float,
    *,
    wet_um: Quantity | float,
    h_w_m2k: Quantity | float,
    plate_mm: Quantity | float,
    retarder_pct: Quantity | float = 0.0,
    retarder: str = DEFAULT_RETARDER,
    pressure_pa: Quantity | float = STANDARD_PRESSURE_PA,
    surface_c: Quantity | float | None = None,
    wood: str = DEFAULT_WOOD,
    earlier_um: float = 0.0,
) -> Quantity:
    """Dew point of the air from which on water lies undissolved in the film as it sets, °C.

    Cold drops and a cold film take water up, some of it above the dew point too, for as long as
    their solvents dissolve it. What is too much once the fast solvents have gone stays as droplets.
    Drops from a can bring so much that this comes before the film floor falls below the dew point;
    with a gun the two lie close together.

    Parameters
    ----------
    blend, air_c, wet_um, h_w_m2k, plate_mm, retarder_pct, retarder, pressure_pa, surface_c, wood, \
earlier_um
        As for `film.floor`.

    Returns
    -------
    float or array
        Infinite where no air clouds the film, and where water is the carrier; 20 K below the air at
        least.

    Raises
    ------
    ValueError
        If something is out of range or not known; the message names it.
    """
    face = np.nan if surface_c is None else surface_c
    columns = np.broadcast_arrays(air_c, wet_um, h_w_m2k, plate_mm, retarder_pct, pressure_pa, face)
    shape = columns[0].shape
    one, *coat = (np.ravel(column).astype(np.float64) for column in columns)
    lot = Lot(blend, retarder, wood, earlier_um, *coat)

    def held(gap: FloatArray) -> FloatArray:
        """Undissolved water for dew points so far below the air: (M, N)."""
        here = np.tile(one, (gap.shape[0], 1))
        rh = np.clip(np.asarray(air.rh_at_dew_point(here, here - gap)), 0.0, 100.0)
        return lot.in_air(here, rh).free_at_set_g_m2.reshape(gap.shape)

    coarse = np.repeat(np.linspace(_DRIEST_K, _DAMPEST_K, _COARSE)[:, None], one.size, axis=1)
    dry, damp, clouds = _bracket(coarse, held(coarse))
    fine = damp + (dry - damp) * np.linspace(1.0, 0.0, _FINE)[:, None]
    water = held(fine)
    dry, damp, _ = _bracket(fine, water)
    low, high = (np.take_along_axis(water, _at(fine, gap)[None], axis=0)[0] for gap in (dry, damp))
    rise = np.where(high > low, high - low, 1.0)
    part = np.clip((HAZE_G_M2 - low) / rise, 0.0, 1.0)
    found = np.where(clouds, one - (dry + part * (damp - dry)), np.inf)
    return as_given(found.reshape(shape))


def _bracket(gap: FloatArray, water: FloatArray) -> tuple[FloatArray, FloatArray, Any]:
    """Gaps (dry, damp) between which the haze begins, of gaps (M, N) that fall; does it at all."""
    white = water >= HAZE_G_M2
    first = white.argmax(axis=0)
    columns = np.arange(gap.shape[1])
    return gap[np.maximum(first - 1, 0), columns], gap[first, columns], white.any(axis=0)


def _at(gap: FloatArray, sought: FloatArray) -> Any:
    return np.abs(gap - sought).argmin(axis=0)
