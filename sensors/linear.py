"""The exact course of a small linear system over one step."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

__all__ = ["advance"]

Array = NDArray[np.float64]

SMALL_NORM = 0.5
"""The series is summed for a step this short, and the step then doubled up to the one asked for."""

TERMS = 14
"""0.5^14 / 14! is below 1e-15: what is left out of the series is rounding."""


def advance(rates: Array, drive: Array, state: Array, step_s: float) -> tuple[Array, Array]:
    """Return the state after a step of ``dx/dt = rates @ x + drive``, and its time integral.

    With ``y`` the slope at the beginning, ``x(t) = x + P(t) y`` and its integral is
    ``t x + Q(t) y``, where ``P`` is the integral of ``exp(rates t)`` and ``Q`` that of ``P``. Both
    are summed to rounding, so that what a balance gains and loses can be told exactly, whatever
    the step.

    Parameters
    ----------
    rates : array, shape (n, n)
        1/s.
    drive : array, shape (n,)
        Units of the state per second; constant over the step.
    state : array, shape (n,)
        At the beginning.
    step_s : float
        s, above 0.

    References
    ----------
    Hochbruck, M. and Ostermann, A. (2010), "Exponential integrators", Acta Numerica 19, 209-286,
    section 2.1: ``P`` and ``Q`` are ``t phi_1(rates t)`` and ``t² phi_2(rates t)``.
    """
    norm = float(np.abs(rates).sum(axis=1).max()) * step_s
    doublings = max(0, math.ceil(math.log2(norm / SMALL_NORM))) if norm > 0 else 0
    part_s = step_s / 2**doublings
    scaled, power = rates * part_s, np.eye(len(state))
    once, twice = power * part_s, power * (part_s**2 / 2.0)  # P and Q of the short step
    for order in range(1, TERMS + 1):
        power = power @ scaled / order
        once += power * (part_s / (order + 1))
        twice += power * (part_s**2 / ((order + 1) * (order + 2)))
    for _ in range(doublings):
        grown = np.eye(len(state)) + rates @ once  # exp(rates part_s)
        twice = twice + part_s * once + grown @ twice
        once = once + grown @ once
        part_s *= 2.0
    slope = rates @ state + drive
    return state + once @ slope, step_s * state + twice @ slope
