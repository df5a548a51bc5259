"""Thermodynamic wet bulb and ice bulb: the balance and its solution.

ASHRAE Handbook - Fundamentals 2017, ch. 1, eq. (33) over water and (35) over ice. Everything here
is in °C, Pa and kg/kg and unchecked: `air` checks.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.science import _saturation
from service.science._checks import FloatArray
from service.science._mixing import ratio_of

__all__ = ["ratio_at", "solve"]

_LAST_STEP_K = 1e-5  # each step squares the error, times 0.03 at most: after this one, 1e-11 K
_MOST_STEPS = 30  # Newton needs about five; the bound only keeps a mistake from looping for ever
_BLOCK = 16384  # readings at a time, so that the work stays in the processor's cache


@dataclass(frozen=True)
class _Phase:
    """Coefficients of the balance, kJ/kg and kJ/(kg K), for what covers the bulb."""

    latent: float
    latent_slope: float
    liquid_or_ice: float


_WATER = _Phase(2501.0, 2.326, 4.186)
_ICE = _Phase(2830.0, 0.24, 2.1)


def _saturated(bulb: FloatArray, pressure_pa: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Humidity ratio at saturation and its slope, 1/K."""
    vapour = _saturation.pressure(bulb)
    ratio = ratio_of(vapour, pressure_pa)
    return ratio, ratio * _saturation.log_slope(bulb) * pressure_pa / (pressure_pa - vapour)


def _ratio(phase: _Phase, air: FloatArray, bulb: FloatArray, pressure_pa: FloatArray) -> FloatArray:
    saturated = ratio_of(_saturation.pressure(bulb), pressure_pa)
    gained = (phase.latent - phase.latent_slope * bulb) * saturated - 1.006 * (air - bulb)
    return np.asarray(gained / (phase.latent + 1.86 * air - phase.liquid_or_ice * bulb))


def ratio_at(air: FloatArray, bulb: FloatArray, pressure_pa: FloatArray) -> FloatArray:
    """Humidity ratio of air with this wet bulb; below 0 °C the bulb bears ice.

    Negative where no air, however dry, has so low a wet bulb.
    """
    return np.where(
        bulb < 0.0,
        _ratio(_ICE, air, bulb, pressure_pa),
        _ratio(_WATER, air, bulb, pressure_pa),
    )


def _newton(phase: _Phase, air: FloatArray, w: FloatArray, pressure_pa: FloatArray) -> FloatArray:
    """Wet bulb under one covering; from the air temperature down Newton cannot overshoot.

    What the bulb gains less what it loses rises with its temperature and bends upwards, so that
    every step from above stays above the root.
    """
    bulb = air.copy()
    for _ in range(_MOST_STEPS):
        saturated, slope = _saturated(bulb, pressure_pa)
        latent = phase.latent - phase.latent_slope * bulb
        balance = latent * saturated - 1.006 * (air - bulb)
        balance -= w * (phase.latent + 1.86 * air - phase.liquid_or_ice * bulb)
        steepness = latent * slope - phase.latent_slope * saturated
        steepness += 1.006 + phase.liquid_or_ice * w
        step = balance / steepness
        bulb -= step
        if np.abs(step).max() < _LAST_STEP_K:
            break
    return np.minimum(bulb, air)


def solve(air: FloatArray, w: FloatArray, pressure_pa: FloatArray) -> FloatArray:
    """Wet bulb of air with humidity ratio `w`; ice bulb where it falls below 0 °C.

    About 0 °C both a wet bulb, a little above, and an iced one, a little below, can be in balance,
    up to a kelvin apart, because ice takes more heat to evaporate. The iced one is the answer
    there.
    """
    air, w, pressure_pa = np.broadcast_arrays(air, w, pressure_pa)
    bulb = np.empty(air.shape)
    flat, given = bulb.reshape(-1), [x.ravel() for x in (air, w, pressure_pa)]
    for start in range(0, bulb.size, _BLOCK):
        block = slice(start, start + _BLOCK)
        flat[block] = _solve(*(x[block] for x in given))
    return bulb


def _solve(air: FloatArray, w: FloatArray, pressure_pa: FloatArray) -> FloatArray:
    bulb = np.empty(air.shape)
    iced = w < _ratio(_ICE, air, np.zeros(air.shape), pressure_pa)
    for phase, where in ((_ICE, iced), (_WATER, ~iced)):
        if where.all():
            return _newton(phase, air, w, pressure_pa)
        if where.any():
            bulb[where] = _newton(phase, air[where], w[where], pressure_pa[where])
    return bulb
