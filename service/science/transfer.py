"""What a wet face gives off to the air, and what heat the air gives it.

The analogy of heat and mass transfer (Chilton and Colburn, Ind. Eng. Chem. 26 (1934) 1183) gives
the molar flux of each vapour as ``h / (cp P) Le^-n (p - p_air)``, with ``cp`` the molar heat
capacity of air and ``n`` 2/3 for moving air over a surface, 1 for a drop in air that moves with it.
A flux that is not small pushes the layer of air off the face: the film theory's corrections of
Stefan (mass) and Ackermann (heat) allow for that; see Bird, Stewart and Lightfoot, Transport
Phenomena, 2nd ed., ch. 22.8.
"""

from __future__ import annotations

import numpy as np

from service.science._checks import FloatArray
from service.science.liquid import AIR_MOLAR_HEAT_CAPACITY

__all__ = ["STEFAN_BOLTZMANN", "conductances", "heat_factor", "stefan_factor", "wetting"]

STEFAN_BOLTZMANN = 5.670374419e-8
"""W/(m² K⁴); exact since the 2019 SI, CODATA 2018."""

_DEW_BAND = 0.01
_NEVER_ZERO = 1e-9
_BOILING = 0.9
"""Vapours never fill more than this part of the pressure: a liquid that would boil is held here."""


def conductances(
    lewis: FloatArray, h_w_m2k: FloatArray, pressure_pa: FloatArray, exponent: float
) -> FloatArray:
    """Molar flux for each Pa of difference, mol/(m² s Pa): (N, S)."""
    scale = h_w_m2k / (AIR_MOLAR_HEAT_CAPACITY * pressure_pa)
    return np.asarray(scale[:, None] * lewis**-exponent)


def stefan_factor(at_face: FloatArray, far: FloatArray, pressure_pa: FloatArray) -> FloatArray:
    """Factor on all fluxes, (N,), for the sums of vapour pressures at the face and far from it."""
    room = pressure_pa - np.minimum(at_face, _BOILING * pressure_pa)
    gap = pressure_pa - far - room + _NEVER_ZERO
    return np.asarray(pressure_pa * np.log1p(gap / room) / gap)


def heat_factor(carried_w_m2k: FloatArray, h_w_m2k: FloatArray) -> FloatArray:
    """Factor on the heat-transfer coefficient, (N,), for the heat capacity of vapours going off."""
    phi = carried_w_m2k / h_w_m2k + _NEVER_ZERO
    return np.asarray(phi / np.expm1(phi))


def wetting(water_pa: FloatArray | float, saturation: FloatArray) -> FloatArray:
    """How far a face is below the dew point: 0 above it, 1 from one percent of pressure below."""
    return np.asarray(np.clip((water_pa / saturation - 1.0) / _DEW_BAND, 0.0, 1.0))
