"""Drops on their way to the work: how cold, and how much poorer in fast solvents, they arrive.

A kg of liquid leaves as drops of one size and shares the way with a fixed mass of room air, that of
the gun and what the jet draws in. In an aerosol the propellant first boils off until its pressure
falls to that of the room, at the cost of the liquid's own heat. On the way each drop exchanges heat
and vapours with that air by conduction and diffusion alone (Nu = Sh = 2); the air cools and fills
with vapour. Water is one of the species: it condenses on drops below the dew point.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.science._checks import FloatArray
from service.science.blend import Method
from service.science.liquid import (
    AIR_MOLAR_HEAT_CAPACITY,
    Liquid,
    air_conductivity,
    lewis_numbers,
)
from service.science.solvents import AIR_MOLAR_MASS_KG_MOL
from service.science.stepping import Activities, Surroundings, advance, start
from service.science.transfer import conductances

__all__ = ["SOLIDS_HEAT_CAPACITY", "Arrival", "arrive"]

SOLIDS_HEAT_CAPACITY = 1400.0
"""Of dry resin, J/(kg K): typical of polymers, `from memory`."""

_NUSSELT = 2.0
_CROWDING = 4.0


@dataclass(frozen=True, eq=False)
class Arrival:
    """What lands of each kg that left, for N cases.

    Attributes
    ----------
    moles : array (N, S)
    solids_volume : array (N,)
        m³.
    kelvin : array (N,)
    """

    moles: FloatArray
    solids_volume: FloatArray
    kelvin: FloatArray


def arrive(
    liquid: Liquid,
    activities: Activities,
    method: Method,
    retarder_pct: FloatArray,
    air_kelvin: FloatArray,
    water_pa: FloatArray,
    pressure_pa: FloatArray,
    steps: int,
) -> Arrival:
    """Follow the drops of N cases from nozzle to work in `steps` equal steps of time."""
    moles, solids_volume = liquid.mix(retarder_pct)
    if method.flight_s == 0.0:
        return Arrival(moles, solids_volume, air_kelvin)
    solids_heat = SOLIDS_HEAT_CAPACITY * solids_volume / liquid.polymer_volume
    wet = start(liquid, activities, moles, solids_volume, air_kelvin)
    first_volume = moles @ liquid.molar_volume + solids_volume
    drop_m = method.drop_um * 1e-6
    air_moles = method.air_kg_kg / AIR_MOLAR_MASS_KG_MOL
    vapour = np.zeros_like(moles)
    vapour[:, liquid.water] = air_moles * water_pa / (pressure_pa - water_pa)
    gas_kelvin = air_kelvin
    lewis, conductivity = lewis_numbers(liquid, air_kelvin), air_conductivity(air_kelvin)
    none = np.zeros_like(air_kelvin)
    for step in _steps(method.flight_s, steps):
        dt = np.full_like(air_kelvin, step)
        volume = wet.moles @ liquid.molar_volume + solids_volume
        size = drop_m * np.cbrt(volume / first_volume)
        h = _NUSSELT * conductivity / size
        area = 6.0 * volume / size
        around = Surroundings(
            conductance=area[:, None] * conductances(lewis, h, pressure_pa, 1.0),
            far=pressure_pa[:, None] * vapour / (air_moles + vapour.sum(axis=1))[:, None],
            pressure=pressure_pa,
            h=h * area,
            gas_kelvin=gas_kelvin,
            other_heat=none,
            other_slope=none,
            source=np.zeros_like(moles),
            capacity=wet.moles @ liquid.heat_capacity + solids_heat,
            solids_volume=solids_volume,
        )
        before = wet.kelvin
        wet, lost = advance(liquid, activities, wet, around, dt, implicit=0.6)
        drop = 0.5 * (before + wet.kelvin)
        gas_kelvin = _gas(liquid, air_moles, vapour, gas_kelvin, lost, around.h * dt, drop, dt)
        vapour = np.maximum(vapour + lost * dt[:, None], 0.0)
    return Arrival(wet.moles, solids_volume, wet.kelvin)


def _gas(
    liquid: Liquid,
    air_moles: float,
    vapour: FloatArray,
    gas_kelvin: FloatArray,
    lost: FloatArray,
    heat_per_k: FloatArray,
    drop: FloatArray,
    dt: FloatArray,
) -> FloatArray:
    """Temperature of the air around the drops after a step: it warms them and takes vapour up."""
    capacity = air_moles * AIR_MOLAR_HEAT_CAPACITY + vapour @ liquid.vapour_heat_capacity
    mixed = dt * (np.maximum(lost, 0.0) @ liquid.vapour_heat_capacity)
    fraction = -np.expm1(-(heat_per_k + mixed) / capacity)
    return np.asarray(gas_kelvin + fraction * (drop - gas_kelvin))


def _steps(flight_s: float, count: int) -> FloatArray:
    """Cut the flight into steps that widen, since the first moments are the liveliest."""
    edges = np.expm1(_CROWDING * np.linspace(0.0, 1.0, count + 1)) / np.expm1(_CROWDING)
    return np.asarray(flight_s * np.diff(edges))
