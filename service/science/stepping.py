"""One step in time for the liquid of many films or drops at once.

Amounts relax exponentially at the mean of the rates before and after the step; the temperature is
implicit. Both stay in bounds for any step, so that the accuracy wanted alone sets the step.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from service.science._checks import FloatArray
from service.science.liquid import TINY_MOL, Liquid
from service.science.transfer import heat_factor, stefan_factor

__all__ = ["Activities", "Surroundings", "Wet", "advance", "start"]

Activities = Callable[[FloatArray, FloatArray, FloatArray], FloatArray]
"""Activities (N, S) of dissolved moles (N, S), volume of solids (N,) and kelvin (N,)."""


@dataclass(frozen=True, eq=False)
class Wet:
    """Liquid of N cases.

    Attributes
    ----------
    moles : array (N, S)
        Of each species; of water, dissolved and free.
    dissolved : array (N,)
        Of water in solution; the rest of it lies as droplets of activity one.
    kelvin : array (N,)
    slope : array (N, S)
        Activity of each species for each mole of it.
    saturation : array (N, S)
        Pressure of each pure species at `kelvin`, Pa.
    """

    moles: FloatArray
    dissolved: FloatArray
    kelvin: FloatArray
    slope: FloatArray
    saturation: FloatArray


@dataclass(frozen=True, eq=False)
class Surroundings:
    """What N cases exchange heat and vapours with over one step, for the area they are kept for.

    Attributes
    ----------
    conductance : array (N, S)
        Molar flux for each Pa, mol/(s Pa).
    far : array (N, S)
        Vapour pressures far from the face, Pa.
    pressure : array (N,)
        Pa.
    h : array (N,)
        Heat-transfer coefficient times area, W/K.
    gas_kelvin : array (N,)
    other_heat, other_slope : array (N,)
        Further heat ``other_heat - other_slope T``, W.
    source : array (N, S)
        Moles that arrive in a second.
    capacity : array (N,)
        Heat capacity, J/K.
    solids_volume : array (N,)
        At the end of the step, m³.
    """

    conductance: FloatArray
    far: FloatArray
    pressure: FloatArray
    h: FloatArray
    gas_kelvin: FloatArray
    other_heat: FloatArray
    other_slope: FloatArray
    source: FloatArray
    capacity: FloatArray
    solids_volume: FloatArray


def start(
    liquid: Liquid,
    activities: Activities,
    moles: FloatArray,
    solids_volume: FloatArray,
    kelvin: FloatArray,
) -> Wet:
    """Bring moles at a temperature into a state; all water starts in solution."""
    water = moles[:, liquid.water].copy()
    slope, dissolved = _slope(liquid, activities, moles, water, solids_volume, kelvin)
    return Wet(moles, dissolved, kelvin, slope, liquid.saturation(kelvin))


def advance(
    liquid: Liquid,
    activities: Activities,
    wet: Wet,
    around: Surroundings,
    dt: FloatArray,
    implicit: float = 1.0,
) -> tuple[Wet, FloatArray]:
    """Take one step of `dt` (N,) s; return the new state and the mean fluxes off the face (N, S).

    `implicit` is the weight of the step's end in the heat balance: 1 where the temperature follows
    at once, near 0.5 where its own course matters.
    """
    rate, inflow, stefan = _rates(around, wet.slope * wet.saturation, wet.moles)
    guess = _relax(wet.moles, rate, inflow, dt)
    slope, dissolved = _slope(
        liquid, activities, guess, wet.dissolved, around.solids_volume, wet.kelvin
    )
    kelvin = _temperature(liquid, wet, around, guess * slope, rate, stefan, dt, implicit)
    saturation = liquid.saturation(kelvin)
    end_rate, end_inflow, _ = _rates(around, slope * saturation, guess)
    rate, inflow = 0.5 * (rate + end_rate), 0.5 * (inflow + end_inflow)
    moles = _relax(wet.moles, rate, inflow, dt)
    lost = around.source - (moles - wet.moles) / dt[:, None]
    dissolved = np.minimum(dissolved, moles[:, liquid.water])
    return Wet(moles, dissolved, kelvin, slope, saturation), lost


def _rates(
    around: Surroundings, pressure_slope: FloatArray, moles: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Loss of each species for each mole of it, 1/s, its inflow, mol/s, and Stefan's factor."""
    stefan = stefan_factor(
        (pressure_slope * moles).sum(axis=1), around.far.sum(axis=1), around.pressure
    )
    conductance = stefan[:, None] * around.conductance
    return conductance * pressure_slope, conductance * around.far + around.source, stefan


def _relax(moles: FloatArray, rate: FloatArray, inflow: FloatArray, dt: FloatArray) -> FloatArray:
    """Solve dn/dt = inflow - rate n exactly over a step."""
    fraction = -np.expm1(-rate * dt[:, None])
    return np.asarray(moles + fraction * (inflow / np.maximum(rate, 1e-300) - moles))


def _slope(
    liquid: Liquid,
    activities: Activities,
    moles: FloatArray,
    dissolved: FloatArray,
    solids_volume: FloatArray,
    kelvin: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Activity for each mole, and the water in solution brought closer to its limit."""
    water = liquid.water
    solution = moles.copy()
    solution[:, water] = np.minimum(dissolved, moles[:, water])
    activity = activities(solution, solids_volume, kelvin)
    # Damped, since the solvents' composition may make activity rise slower than amount.
    closer = solution[:, water] / np.maximum(activity[:, water], 1e-9)
    activity[:, water] = np.minimum(activity[:, water], 1.0)
    return activity / np.maximum(moles, TINY_MOL), np.minimum(closer, moles[:, water])


def _temperature(
    liquid: Liquid,
    wet: Wet,
    around: Surroundings,
    activity: FloatArray,
    rate: FloatArray,
    stefan: FloatArray,
    dt: FloatArray,
    implicit: float,
) -> FloatArray:
    """Solve the heat balance at the end of the step by Newton's method."""
    latent = liquid.latent_heat(wet.kelvin)
    _, b, c = liquid.antoine
    carried = stefan[:, None] * around.conductance * latent
    off = rate * wet.moles - stefan[:, None] * around.conductance * around.far
    h = around.h * heat_factor(off, liquid, around.h)
    explicit = (1.0 - implicit) * (
        h * (around.gas_kelvin - wet.kelvin)
        + around.other_heat
        - around.other_slope * wet.kelvin
        - (off * latent).sum(axis=1)
    )
    stored = around.capacity / dt
    fixed = (
        explicit
        + stored * wet.kelvin
        + implicit
        * (h * around.gas_kelvin + around.other_heat + (carried * around.far).sum(axis=1))
    )
    stiffness = stored + implicit * (h + around.other_slope)
    kelvin = wet.kelvin
    for _ in range(3):
        face = carried * activity * liquid.saturation(kelvin)
        slope = (face * (b / (kelvin[:, None] + c) ** 2)).sum(axis=1)
        miss = fixed - stiffness * kelvin - implicit * face.sum(axis=1)
        kelvin = kelvin + miss / (stiffness + implicit * slope)
    return kelvin
