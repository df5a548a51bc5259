"""The exact course of a small linear system over one step."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["advance"]

Array = NDArray[np.float64]

LARGEST_NORM = 4.0
"""Beyond this a step is halved, so that the series below neither grows long nor loses digits."""

NEGLIGIBLE = 1e-17


def advance(rates: Array, drive: Array, state: Array, step_s: float) -> tuple[Array, Array]:
    """Return the state after a step of ``dx/dt = rates @ x + drive``, and its time integral.

    With ``y`` the slope at the beginning, ``x(t) = x + t phi_1(rates t) y`` and its integral is
    ``t x + t² phi_2(rates t) y``, where ``phi_k(z) = sum z^j / (j + k)!``. The series is summed to
    rounding, so that what a balance gains and loses can be told exactly, whatever the step.

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
    section 2.1 (the phi functions).
    """
    scaled = rates * step_s
    norm = float(np.abs(scaled).sum(axis=1).max())
    if norm > LARGEST_NORM:
        middle, first = advance(rates, drive, state, step_s / 2.0)
        end, second = advance(rates, drive, middle, step_s / 2.0)
        return end, first + second
    term = (rates @ state + drive) * step_s
    gain, integral_gain = term.copy(), term / 2.0
    size = float(np.abs(term).max())
    order, bound = 1, size
    while bound > NEGLIGIBLE * size:
        order += 1
        term = scaled @ term / order
        bound *= norm / order
        gain += term
        integral_gain += term / (order + 1)
    return state + gain, step_s * (state + integral_gain)
