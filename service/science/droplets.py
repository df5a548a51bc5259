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
from service.science.stepping import Surroundings, stepper_of
from service.science.transfer import conductances

__all__ = ["SOLIDS_HEAT_CAPACITY", "Arrival", "arrive"]

SOLIDS_HEAT_CAPACITY = 1400.0
"""Of dry resin, J/(kg K): typical of polymers, `from memory`."""

_NUSSELT = 2.0
_CROWDING, _FLASH_CROWDING = 2.0, 5.0


@dataclass(frozen=True, eq=False)
class Arrival:
    """What lands of each kg that left, for N cases.

    Attributes
    ----------
    moles : array (N, S)
    dissolved, condensed : array (N,)
        Of the water: moles in solution, and moles taken up below the dew point.
    solids_volume : array (N,)
        m³.
    kelvin : array (N,)
    """

    moles: FloatArray
    dissolved: FloatArray
    condensed: FloatArray
    solids_volume: FloatArray
    kelvin: FloatArray


def arrive(
    liquid: Liquid,
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
        water = moles[:, liquid.water]
        return Arrival(moles, water, np.zeros_like(water), solids_volume, air_kelvin)
    solids_heat = SOLIDS_HEAT_CAPACITY * solids_volume / liquid.polymer_volume
    stepper = stepper_of(liquid)
    wet = stepper.start(moles, moles[:, liquid.water], solids_volume, air_kelvin)
    first_volume = moles @ liquid.molar_volume + solids_volume
    drop_m = method.drop_um * 1e-6
    air_moles = method.air_kg_kg / AIR_MOLAR_MASS_KG_MOL
    vapour = np.zeros_like(moles)
    vapour[:, liquid.water] = air_moles * water_pa / (pressure_pa - water_pa)
    gas_kelvin = air_kelvin
    lewis, conductivity = lewis_numbers(liquid, air_kelvin), air_conductivity(air_kelvin)
    none = np.zeros_like(air_kelvin)
    condensed = none
    lost, cooled, previous = np.zeros_like(moles), none, 1.0
    crowding = _FLASH_CROWDING if liquid.flashes else _CROWDING
    for step in _steps(method.flight_s, steps, crowding):
        # Size, vapour and gas half-way through the step, as the last step went on.
        half = 0.5 * step / previous
        volume = np.maximum(wet.moles - half * lost, 0.0) @ liquid.molar_volume + solids_volume
        there = np.maximum(vapour + half * lost, 0.0)
        size = drop_m * np.cbrt(volume / first_volume)
        h = _NUSSELT * conductivity / size
        area = 6.0 * volume / size
        far = pressure_pa[:, None] * there / (air_moles + there.sum(axis=1))[:, None]
        conductance = area[:, None] * conductances(lewis, h, pressure_pa, 1.0)
        around = Surroundings(
            conductance=conductance,
            back=conductance * far,
            far_sum=far.sum(axis=1),
            pressure=pressure_pa,
            h=h * area,
            gas_kelvin=gas_kelvin - half * cooled,
            other_heat=none,
            other_slope=none,
            other_now=none,
            source=None,
            capacity=wet.moles @ liquid.heat_capacity + solids_heat,
            solids_volume=solids_volume,
        )
        before, wet = wet, stepper.advance(wet, around, np.full_like(air_kelvin, step), lively=True)
        lost, drop = before.moles - wet.moles, 0.5 * (before.kelvin + wet.kelvin)
        warmer = _gas(liquid, air_moles, there, gas_kelvin, lost, around.h * step, drop)
        cooled, gas_kelvin, previous = gas_kelvin - warmer, warmer, step
        vapour = np.maximum(vapour + lost, 0.0)
        condensed = stepper.condensed(condensed, before, wet, far[:, liquid.water])
    water = wet.moles[:, liquid.water]
    dissolved = np.minimum(wet.room, water) if liquid.separates else water
    return Arrival(wet.moles, dissolved, condensed, solids_volume, wet.kelvin)


def _gas(
    liquid: Liquid,
    air_moles: float,
    vapour: FloatArray,
    gas_kelvin: FloatArray,
    lost: FloatArray,
    heat_per_k: FloatArray,
    drop: FloatArray,
) -> FloatArray:
    """Temperature of the air around the drops after a step: it warms them and takes vapour up."""
    capacity = air_moles * AIR_MOLAR_HEAT_CAPACITY + vapour @ liquid.vapour_heat_capacity
    mixed = np.maximum(lost, 0.0) @ liquid.vapour_heat_capacity
    fraction = -np.expm1(-(heat_per_k + mixed) / capacity)
    return np.asarray(gas_kelvin + fraction * (drop - gas_kelvin))


def _steps(flight_s: float, count: int, crowding: float) -> FloatArray:
    """Cut the flight into steps that widen, since the first moments are the liveliest."""
    edges = np.expm1(crowding * np.linspace(0.0, 1.0, count + 1)) / np.expm1(crowding)
    return np.asarray(flight_s * np.diff(edges))
