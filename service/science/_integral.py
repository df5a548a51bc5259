"""Integral of exp(straight line in time - theta / temperature), temperature a straight line too.

Short segments, where the logarithm of the rate changes little, by the trapezium with its end
correction (Euler-Maclaurin): one exponential a reading. Longer ones by Gauss-Legendre with 16
points, which is exact to rounding for any change that the valid air can make between two readings.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.science._checks import FloatArray

__all__ = ["Path", "at", "segments", "when"]

IndexArray = NDArray[np.intp]

_KNOTS, _KNOT_WEIGHTS = np.polynomial.legendre.leggauss(16)
_POINTS, _WEIGHTS = 0.5 * (_KNOTS + 1.0), 0.5 * _KNOT_WEIGHTS  # from [-1, 1] to [0, 1]

_SHORT = 0.05
"""Largest change of the log rate for the trapezium: its error is this to the 4th over 720, 1e-8."""


@dataclass(frozen=True)
class Path:
    """The air's way: times in s, temperature in K, and the straight part of the log rate."""

    time: FloatArray
    kelvin: FloatArray
    straight: FloatArray
    theta: float


def segments(path: Path) -> FloatArray:
    """Integral over each segment between readings, s."""
    dt = np.diff(path.time)
    warmth = path.theta / path.kelvin
    speed = np.exp(path.straight - warmth)
    # d(log rate)/dt = straight' + theta T'/T^2; end correction -dt^2/12 (f'(b) - f'(a)).
    by_kelvin = warmth / path.kelvin
    rise, drift = np.diff(path.kelvin), np.diff(path.straight)
    left, right = speed[:-1], speed[1:]
    correction = right * (drift + by_kelvin[1:] * rise) - left * (drift + by_kelvin[:-1] * rise)
    out = dt * (0.5 * (left + right) - correction / 12.0)
    change = np.abs(drift) + np.abs(np.diff(warmth))
    long = np.flatnonzero(change > _SHORT)
    if long.size:
        out[long] = _gauss(path, long, 0.0, 1.0)
    return np.asarray(out)


def _gauss(
    path: Path, index: IndexArray, start: FloatArray | float, end: FloatArray | float
) -> FloatArray:
    """Integral over the part from `start` to `end` (fractions) of the segments `index`, s."""
    first, width = np.asarray(start)[..., None], np.asarray(end)[..., None]
    width = width - first
    s = first + width * _POINTS
    kelvin, straight = path.kelvin[index, None], path.straight[index, None]
    kelvin = kelvin + (path.kelvin[index + 1, None] - kelvin) * s
    straight = straight + (path.straight[index + 1, None] - straight) * s
    mean = np.exp(straight - path.theta / kelvin) @ _WEIGHTS
    return np.asarray((path.time[index + 1] - path.time[index]) * width[..., 0] * mean)


def at(path: Path, total: FloatArray, when_s: FloatArray) -> FloatArray:
    """Integral from the first reading to `when_s`, given the `total` to each reading, s."""
    if path.time.size == 1:
        return np.zeros(np.shape(when_s))
    last = path.time.size - 2
    index = np.clip(np.searchsorted(path.time, when_s, side="right") - 1, 0, last)
    fraction = (when_s - path.time[index]) / (path.time[index + 1] - path.time[index])
    return np.asarray(total[index] + _gauss(path, index, 0.0, fraction))


def when(path: Path, total: FloatArray, wanted: float) -> float:
    """Time at which the integral reaches `wanted`, which must not exceed the last of `total`."""
    index = int(np.searchsorted(total, wanted, side="left"))
    if index == 0:
        return float(path.time[0])
    start, end = float(path.time[index - 1]), float(path.time[index])
    need, whole = wanted - float(total[index - 1]), float(total[index] - total[index - 1])
    segment = np.asarray([index - 1])
    low, high, fraction = 0.0, 1.0, need / whole
    for _ in range(60):  # the integral rises, so bisection kept inside the bracket by secants ends
        value = float(_gauss(path, segment, 0.0, np.asarray([fraction]))[0]) - need
        if abs(value) <= 1e-12 * whole or high - low < 1e-12:
            break
        low, high = (fraction, high) if value < 0.0 else (low, fraction)
        speed = float(_speed(path, index - 1, fraction)) * (end - start)
        newton = fraction - value / speed
        fraction = newton if low < newton < high else 0.5 * (low + high)
    return start + fraction * (end - start)


def _speed(path: Path, index: int, fraction: float) -> float:
    kelvin = path.kelvin[index] + fraction * (path.kelvin[index + 1] - path.kelvin[index])
    straight = path.straight[index] + fraction * (path.straight[index + 1] - path.straight[index])
    return float(np.exp(straight - path.theta / kelvin))
