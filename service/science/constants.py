"""Physical constants and units used by more than one module of the science."""

from __future__ import annotations

__all__ = [
    "DRY_AIR_GAS_CONSTANT",
    "GAS_CONSTANT",
    "STANDARD_PRESSURE_PA",
    "VAPOUR_GAS_CONSTANT",
    "WATER_TO_AIR_MOLAR_RATIO",
    "ZERO_CELSIUS_K",
]

GAS_CONSTANT = 8.314462618
"""Molar gas constant, J/(mol K); exact since the 2019 SI, CODATA 2018."""

ZERO_CELSIUS_K = 273.15
"""0 °C in kelvin, by definition."""

STANDARD_PRESSURE_PA = 101325.0
"""Standard atmosphere, Pa, by definition."""

WATER_TO_AIR_MOLAR_RATIO = 0.621945
"""Molar mass of water over that of dry air; ASHRAE Handbook - Fundamentals 2017, ch. 1."""

DRY_AIR_GAS_CONSTANT = 287.042
"""Gas constant of dry air, J/(kg K); ASHRAE Handbook - Fundamentals 2017, ch. 1, eq. (1)."""

VAPOUR_GAS_CONSTANT = 461.524
"""Gas constant of water vapour, J/(kg K); ASHRAE Handbook - Fundamentals 2017, ch. 1, eq. (2)."""
