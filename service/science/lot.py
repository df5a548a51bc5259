"""Coats that are each asked about in other air than their own, many airs at once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.science._checks import FloatArray
from service.science.blend import Blend
from service.science.wet_film import FilmFloor, floor

__all__ = ["Lot"]


@dataclass(frozen=True, eq=False)
class Lot:
    """N coats of one blend as `film.floor` takes them, without their air; each array (N,).

    `surface_c` is NaN where the work is as warm as the air, whatever that is.
    """

    blend: Blend
    retarder: str
    wood: str
    earlier_um: float
    wet_um: FloatArray
    h_w_m2k: FloatArray
    plate_mm: FloatArray
    retarder_pct: FloatArray
    pressure_pa: FloatArray
    surface_c: FloatArray

    def in_air(self, air_c: FloatArray, rh_pct: FloatArray) -> FilmFloor[FloatArray]:
        """Follow every coat in M airs, (M, N) each; the answers are (M * N,), row after row."""
        many = air_c.shape[0]

        def rows(column: FloatArray) -> FloatArray:
            return np.tile(column, many)

        return floor(
            self.blend,
            air_c.ravel(),
            rh_pct.ravel(),
            wet_um=rows(self.wet_um),
            h_w_m2k=rows(self.h_w_m2k),
            plate_mm=rows(self.plate_mm),
            retarder_pct=rows(self.retarder_pct),
            retarder=self.retarder,
            pressure_pa=rows(self.pressure_pa),
            surface_c=np.where(np.isnan(self.surface_c), air_c, self.surface_c).ravel(),
            wood=self.wood,
            earlier_um=self.earlier_um,
        )
