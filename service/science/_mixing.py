"""Humidity ratio and vapour pressure into each other; ideal gases, unchecked.

ASHRAE Handbook - Fundamentals 2017, ch. 1, eq. (20).
"""

from __future__ import annotations

import numpy as np

from service.science._checks import FloatArray
from service.science.constants import WATER_TO_AIR_MOLAR_RATIO

__all__ = ["ratio_of", "vapour_of"]


def ratio_of(vapour_pa: FloatArray, pressure_pa: FloatArray) -> FloatArray:
    """Humidity ratio, kg/kg of dry air, at this vapour pressure and total pressure, Pa."""
    return np.asarray(WATER_TO_AIR_MOLAR_RATIO * vapour_pa / (pressure_pa - vapour_pa))


def vapour_of(w: FloatArray, pressure_pa: FloatArray) -> FloatArray:
    """Vapour pressure, Pa, at this humidity ratio, kg/kg, and total pressure, Pa."""
    return np.asarray(pressure_pa * w / (WATER_TO_AIR_MOLAR_RATIO + w))
