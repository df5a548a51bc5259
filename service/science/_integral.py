"""Integral of a rate whose logarithm is a straight line in time less theta / temperature.

Short segments, where the logarithm of the rate changes little, by the trapezium with its end
correction (Euler-Maclaurin): one exponential a reading. Longer ones by Gauss-Legendre with 16
points, which is exact to rounding for any change that the valid air can make between two readings.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from types import EllipsisType

import numpy as np
from numpy.typing import NDArray

from service.science._checks import FloatArray
from service.science.constants import ZERO_CELSIUS_K

__all__ = ["Path", "at", "segments", "when", "whole"]

IndexArray = NDArray[np.intp]

_KNOTS, _KNOT_WEIGHTS = np.polynomial.legendre.leggauss(16)
_POINTS, _WEIGHTS = 0.5 * (_KNOTS + 1.0), 0.5 * _KNOT_WEIGHTS  # from [-1, 1] to [0, 1]

_SHORT = 0.05
"""Largest change of the log rate for the trapezium: its error is this to the 4th over 720, 1e-8."""

_BLOCK = 16384  # segments at a time, so that the work arrays stay in the processor's cache


@dataclass(frozen=True)
class Path:
    """The air's way, and the law along it: log rate = level - per_rh RH + movement - theta / T.

    Times in s, air in °C, RH in %, theta in K; movement is the logarithm of its factor, or None.
    """

    time: FloatArray
    air_c: FloatArray
    rh_pct: FloatArray
    movement: FloatArray | None
    theta: float
    level: float
    per_rh: float

    def straight(self, where: slice | IndexArray | EllipsisType) -> FloatArray:
        """Part of the log rate that is a straight line between readings."""
        line = self.level - self.per_rh * self.rh_pct[where]
        return line if self.movement is None else np.asarray(line + self.movement[where])


def segments(path: Path) -> FloatArray:
    """Integral over each segment between readings, s."""
    out = np.empty(path.time.size - 1)
    for start, part in _blocks(path):
        out[start : start + part.size] = part
    return out


def whole(path: Path) -> float:
    """Integral from the first reading to the last, s."""
    return float(sum(part.sum() for _, part in _blocks(path)))


def _blocks(path: Path) -> Iterator[tuple[int, FloatArray]]:
    """Integrals of the segments, some at a time, with the number of the first: use, then go on."""
    count = path.time.size - 1
    work = np.empty((6, min(_BLOCK, count) + 1))
    for start in range(0, count, _BLOCK):
        stop = min(start + _BLOCK, count)
        out = work[5, : stop - start]
        _trapezia(path, start, stop, out, work[:5, : stop - start + 1])
        yield start, out


def _trapezia(path: Path, start: int, stop: int, out: FloatArray, work: FloatArray) -> None:
    """Integrals of the segments from `start` up to `stop`, into `out`.

    Work arrays are used over again: making new ones costs as much as the arithmetic.
    """
    part = slice(start, stop + 1)
    kelvin, warmth, log_rate, rate, change = work
    spare, corrected, change = warmth[:-1], log_rate[:-1], change[:-1]
    np.add(path.air_c[part], ZERO_CELSIUS_K, out=kelvin)
    np.divide(path.theta, kelvin, out=warmth)
    np.subtract(path.straight(part), warmth, out=log_rate)
    np.exp(log_rate, out=rate)
    np.subtract(log_rate[1:], log_rate[:-1], out=change)
    cooling = warmth[1:] - warmth[:-1]
    # End correction dt/12 (f'(a) - f'(b)), f' = f (log f)'. With both ends' slopes of the log
    # expressed by its change over the segment, what is left of each is rise * cooling / T.
    np.divide(rate, kelvin, out=warmth)
    np.add(warmth[:-1], warmth[1:], out=corrected)
    corrected *= np.subtract(kelvin[1:], kelvin[:-1], out=spare)
    corrected *= cooling
    np.subtract(rate[1:], rate[:-1], out=spare)
    spare *= change
    corrected += spare
    corrected *= -1.0 / 6.0
    corrected += rate[:-1]
    corrected += rate[1:]
    np.subtract(path.time[start + 1 : stop + 1], path.time[start:stop], out=out)
    out *= 0.5
    out *= corrected
    # The straight part alone changes by no more than the two together.
    if max(change.max(), -change.min()) + max(cooling.max(), -cooling.min()) > _SHORT:
        long = np.flatnonzero(np.abs(change) + np.abs(cooling) > _SHORT)
        if long.size:
            out[long] = _gauss(path, long + start, 0.0, 1.0)


def _gauss(
    path: Path, index: IndexArray, start: FloatArray | float, end: FloatArray | float
) -> FloatArray:
    """Integral over the part from `start` to `end` (fractions) of the segments `index`, s."""
    first, width = np.asarray(start)[..., None], np.asarray(end)[..., None]
    width = width - first
    mean = _rate(path, index[..., None], first + width * _POINTS) @ _WEIGHTS
    return np.asarray((path.time[index + 1] - path.time[index]) * width[..., 0] * mean)


def _rate(path: Path, index: IndexArray, fraction: FloatArray) -> FloatArray:
    """Rate at fractions of the segments `index`."""
    kelvin, straight = path.air_c[index] + ZERO_CELSIUS_K, path.straight(index)
    kelvin = kelvin + (path.air_c[index + 1] - path.air_c[index]) * fraction
    straight = straight + (path.straight(index + 1) - straight) * fraction
    return np.asarray(np.exp(straight - path.theta / kelvin))


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
    low, high, fraction = 0.0, 1.0, np.asarray([need / whole])
    for _ in range(60):  # Newton, or halving where it would leave the bracket
        value = float(_gauss(path, segment, 0.0, fraction)[0]) - need
        if abs(value) <= 1e-12 * whole or high - low < 1e-12:
            break
        here = float(fraction[0])
        low, high = (here, high) if value < 0.0 else (low, here)
        newton = here - value / (float(_rate(path, segment, fraction)[0]) * (end - start))
        fraction = np.asarray([newton if low < newton < high else 0.5 * (low + high)])
    return start + float(fraction[0]) * (end - start)
