"""The saturation curve of water over ice and liquid, its slope, and its fast inverse.

ASHRAE Handbook - Fundamentals 2017, ch. 1, eq. (5) over ice (-100 to 0 °C) and (6) over liquid
water (0 to 200 °C), after Hyland and Wexler. The two meet at the triple point, 0.01 °C, not at
0 °C where the handbook changes over; changing over where they meet makes curve and inverse
continuous. Everything here is in °C and Pa and unchecked: `air` checks.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.polynomial import Polynomial

from service.science._checks import FloatArray
from service.science.constants import ZERO_CELSIUS_K

__all__ = ["LOWEST_DEW_POINT_C", "dew_point", "log_slope", "pressure", "temperature"]

LOWEST_DEW_POINT_C = -100.0
"""End of the ice equation: drier air than this is given this dew point."""

_TRIPLE_C = 0.0100006
"""Where eq. (5) and (6) cross, °C (the triple point is 0.01 °C)."""

_LOWEST_AIR_C, _HIGHEST_AIR_C = -40.0, 60.0
_BLOCK = 32768  # readings at a time, so that the work arrays stay in the processor's cache


def _log_over_ice(t: FloatArray) -> FloatArray:
    k = t + ZERO_CELSIUS_K
    return np.asarray(
        -5.6745359e3 / k
        + 6.3925247
        + k * (-9.677843e-3 + k * (6.2215701e-7 + k * (2.0747825e-9 + k * -9.484024e-13)))
        + 4.1635019 * np.log(k)
    )


def _log_over_water(t: FloatArray) -> FloatArray:
    k = t + ZERO_CELSIUS_K
    return np.asarray(
        -5.8002206e3 / k
        + 1.3914993
        + k * (-4.8640239e-2 + k * (4.1764768e-5 + k * -1.4452093e-8))
        + 6.5459673 * np.log(k)
    )


def _slope_over_ice(t: FloatArray) -> FloatArray:
    k = t + ZERO_CELSIUS_K
    return np.asarray(
        5.6745359e3 / k**2
        - 9.677843e-3
        + k * (2 * 6.2215701e-7 + k * (3 * 2.0747825e-9 - k * 4 * 9.484024e-13))
        + 4.1635019 / k
    )


def _slope_over_water(t: FloatArray) -> FloatArray:
    k = t + ZERO_CELSIUS_K
    return np.asarray(
        5.8002206e3 / k**2
        - 4.8640239e-2
        + k * (2 * 4.1764768e-5 - k * 3 * 1.4452093e-8)
        + 6.5459673 / k
    )


def _by_phase(
    t: FloatArray,
    over_ice: Callable[[FloatArray], FloatArray],
    over_water: Callable[[FloatArray], FloatArray],
) -> FloatArray:
    ice = t < _TRIPLE_C
    if not ice.any():
        return over_water(t)
    if ice.all():
        return over_ice(t)
    out = np.empty_like(t)
    out[ice] = over_ice(t[ice])
    out[~ice] = over_water(t[~ice])
    return out


def pressure(t: FloatArray) -> FloatArray:
    """Saturation pressure, Pa, at `t` °C: over ice below the triple point, else over water."""
    return np.asarray(np.exp(_by_phase(t, _log_over_ice, _log_over_water)))


def log_slope(t: FloatArray) -> FloatArray:
    """Slope of the logarithm of the saturation pressure, 1/K, at `t` °C."""
    return _by_phase(t, _slope_over_ice, _slope_over_water)


# The inverse by curves fitted once, at import, to the equations above. Between temperature and the
# fourth root of the pressure both ways are so nearly straight that a short power series and a pole
# or two do; and two square roots cost less than the logarithm, division and exponential of a Newton
# step. The errors of both fits together stay below 6e-7 K, which the tests measure against the
# equations.

_ROOT = 4


@dataclass(frozen=True)
class _Fit:
    """Power series and poles: sum(c_i x^i) + sum(strength / (x + place))."""

    series: tuple[float, ...]
    poles: tuple[tuple[float, float], ...]


def _nodes(low: float, high: float) -> FloatArray:
    """Points over [low, high], crowded to the ends, so that a fit errs evenly all over."""
    angle = np.linspace(0.0, np.pi, 401)
    return np.asarray(0.5 * (low + high) - 0.5 * (high - low) * np.cos(angle))


def _fit(x: FloatArray, y: FloatArray, degree: int, *places: float) -> _Fit:
    """Least-squares fit; the poles' places were found by trying, and are not critical."""
    middle, span = 0.5 * (x.max() + x.min()), 0.5 * (x.max() - x.min())
    powers = [((x - middle) / span) ** n for n in range(degree + 1)]
    poles = [1.0 / (x + place) for place in places]
    scales = [np.abs(pole).max() for pole in poles]
    basis = powers + [pole / scale for pole, scale in zip(poles, scales, strict=True)]
    found = np.linalg.lstsq(np.column_stack(basis), y, rcond=None)[0]
    series = Polynomial(found[: degree + 1], domain=[x.min(), x.max()]).convert(domain=[-1, 1])
    strengths = found[degree + 1 :] / scales
    return _Fit(tuple(series.coef.tolist()), tuple(zip(strengths.tolist(), places, strict=True)))


def _root(log_pressure: FloatArray) -> FloatArray:
    return np.asarray(np.exp(log_pressure / _ROOT))


_WARM = _nodes(_TRIPLE_C, _HIGHEST_AIR_C)
_COLD = _nodes(_LOWEST_AIR_C, _TRIPLE_C)
_FROST = _nodes(LOWEST_DEW_POINT_C, _TRIPLE_C)
_LOWEST_LOG = float(_log_over_ice(np.asarray(LOWEST_DEW_POINT_C)))

_PER_CENT = 100.0 ** (-1 / _ROOT)  # RH comes in percent
_WARM_ROOT = _fit(_WARM, _root(_log_over_water(_WARM)) * _PER_CENT, 4, 634.0)
_COLD_ROOT = _fit(_COLD, _root(_log_over_ice(_COLD)) * _PER_CENT, 4, 124.0)
_DEW = _fit(_root(_log_over_water(_WARM)), _WARM, 3, 1.138, 8.292)
_RIME = _fit(_log_over_ice(_FROST), _FROST, 6, -25.86)


def _evaluate(fit: _Fit, x: FloatArray, out: FloatArray, work: FloatArray) -> None:
    np.multiply(x, fit.series[-1], out=out)
    for coefficient in fit.series[-2:0:-1]:
        out += coefficient
        out *= x
    out += fit.series[0]
    for strength, place in fit.poles:
        np.add(x, place, out=work)
        np.divide(strength, work, out=work)
        out += work


def _evaluated(fit: _Fit, x: FloatArray) -> FloatArray:
    out = np.empty_like(x)
    _evaluate(fit, x, out, np.empty_like(x))
    return out


def _invert(root: FloatArray, out: FloatArray, work: FloatArray) -> None:
    """Put the dew or frost point, °C, for a root of the vapour pressure into `out`."""
    _evaluate(_DEW, root, out, work)
    if out.min() < _TRIPLE_C:
        ice = np.flatnonzero(out < _TRIPLE_C)
        with np.errstate(divide="ignore"):  # dry air
            log_pressure = _ROOT * np.log(root[ice])
        frost = _evaluated(_RIME, np.maximum(log_pressure, _LOWEST_LOG))
        frost[log_pressure <= _LOWEST_LOG] = LOWEST_DEW_POINT_C
        out[ice] = np.minimum(frost, _TRIPLE_C)


def dew_point(air: FloatArray, rh_pct: FloatArray) -> FloatArray:
    """Dew or frost point, °C, of air at `air` °C and `rh_pct` %, block by block in cache."""
    air, rh_pct = np.broadcast_arrays(air, rh_pct)
    out = np.empty(air.shape)
    if not out.size:
        return out
    flat_air, flat_rh, flat_out = air.ravel(), rh_pct.ravel(), out.reshape(-1)
    space = np.empty((3, min(_BLOCK, out.size)))
    for start in range(0, out.size, _BLOCK):
        block = slice(start, start + _BLOCK)
        t, rh, answer = flat_air[block], flat_rh[block], flat_out[block]
        root, saturated, work = space[:, : t.size]
        np.sqrt(rh, out=root)
        np.sqrt(root, out=root)
        _evaluate(_WARM_ROOT, t, saturated, work)
        if t.min() < _TRIPLE_C:
            cold = np.flatnonzero(t < _TRIPLE_C)
            saturated[cold] = _evaluated(_COLD_ROOT, t[cold])
        root *= saturated
        _invert(root, answer, work)
        np.minimum(answer, t, out=answer)  # the fits may err by 1e-7 K; saturation may not
    return out


def temperature(vapour_pressure: FloatArray) -> FloatArray:
    """Dew or frost point, °C, of air with this vapour pressure, Pa."""
    root = np.atleast_1d(vapour_pressure) ** (1 / _ROOT)
    out = np.empty_like(root)
    if out.size:
        _invert(root, out, np.empty_like(root))
    return out.reshape(np.shape(vapour_pressure))
