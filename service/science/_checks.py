"""What every function of the science does with its arguments: check, compute, give back alike."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeVar, cast

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "FloatArray",
    "Quantity",
    "air_pressure",
    "air_temperature",
    "as_given",
    "humidity",
    "increasing",
    "within",
]

FloatArray = NDArray[np.float64]

Quantity = TypeVar("Quantity", float, FloatArray)
"""A number or an array of numbers: the functions answer in the kind that they were asked in."""


def within(
    name: str,
    value: float | Sequence[float] | FloatArray,
    low: float,
    high: float,
    unit: str = "",
) -> FloatArray:
    """Return `value` as an array of floats after checking that all of it lies in [low, high].

    Raises
    ------
    ValueError
        If anything in it is out of range, infinite, not a number (NaN) or not numeric; the message
        names the argument, the first offending value and, in an array, its place.
    """
    try:
        array = np.asarray(value, dtype=np.float64)
    except (TypeError, ValueError) as error:
        msg = f"{name} must be a number or an array of numbers, got {value!r}"
        raise ValueError(msg) from error
    # NaN makes both comparisons false, so one pass for each end also finds NaN.
    if array.size and not (array.min() >= low and array.max() <= high):
        bad = np.flatnonzero(~((array >= low) & (array <= high)))[0]
        where = f" at position {bad}" if array.ndim else ""
        span = f"between {low:g} and {high:g} {unit}".rstrip()
        msg = f"{name} must be {span}, got {array.flat[bad]:g}{where}"
        raise ValueError(msg)
    return array


def air_temperature(air_c: float | Sequence[float] | FloatArray) -> FloatArray:
    """Return `air_c` as an array, -40 to 60 °C; ValueError naming it otherwise."""
    return within("air_c", air_c, -40.0, 60.0, "°C")


def humidity(rh_pct: float | Sequence[float] | FloatArray, name: str = "rh_pct") -> FloatArray:
    """Return a relative humidity as an array, 0 to 100 %; ValueError naming it otherwise."""
    return within(name, rh_pct, 0.0, 100.0, "%")


def air_pressure(pressure_pa: float | Sequence[float] | FloatArray) -> FloatArray:
    """Return `pressure_pa` as an array, 50,000 to 110,000 Pa; ValueError naming it otherwise."""
    return within("pressure_pa", pressure_pa, 50_000.0, 110_000.0, "Pa")


def increasing(name: str, value: Sequence[float] | FloatArray) -> FloatArray:
    """Return `value` as a one-dimensional array after checking that it rises strictly.

    Raises
    ------
    ValueError
        If it is not one-dimensional, is empty, holds NaN, or does not rise strictly.
    """
    array = within(name, value, -1e18, 1e18)
    if array.ndim != 1 or array.size == 0:
        msg = f"{name} must be a one-dimensional series with at least one entry"
        raise ValueError(msg)
    steps = np.diff(array)
    if steps.size and not steps.min() > 0.0:
        bad = int(np.flatnonzero(~(steps > 0.0))[0])
        msg = f"{name} must rise strictly, but does not after position {bad}"
        raise ValueError(msg)
    return array


def as_given(result: FloatArray, *given: Quantity | float) -> Quantity:
    """Return `result` as a float where all arguments were scalars, else as an array.

    The arguments themselves are named only for the type checker: a result without dimensions can
    only have come from scalars.
    """
    del given
    answer = np.asarray(result)
    return cast("Quantity", answer.item() if answer.ndim == 0 else answer)
