"""Wood in moist air: equilibrium moisture, how fast a plate follows, how far it moves.

Moisture contents are percent of the oven-dry mass. "Wood Handbook" is the USDA Forest Products
Laboratory's, FPL-GTR-190 (2010). Functions take scalars or arrays and answer in kind; out of range
or NaN raises ValueError naming the argument.

Wood varies: expect ±0.5 % moisture about the equilibrium equation (it is one curve for all
species, between wetting and drying), and ±20 % in movement from board to board.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from service.science._checks import (
    FloatArray,
    Quantity,
    air_temperature,
    as_given,
    humidity,
    increasing,
    within,
)
from service.science.woods import Finish

__all__ = [
    "coefficient_from_shrinkage",
    "equilibrium_moisture",
    "moisture_course",
    "movement",
    "movement_from_shrinkage",
    "response_time",
    "rh_for_moisture",
    "unaccomplished_change",
]

TABLE_EDGE_C = -1.1
"""Coldest column of Wood Handbook Table 4-2 (30 °F)."""

DIFFUSIVITY_M2_S = 1.0e-10
"""Moisture diffusivity of spruce across the grain at room temperature, m²/s: 0.94e-10 radial and
1.00e-10 tangential by dynamic vapour sorption (Sanchez-Ferrer and Engelhardt 2026). Denser woods
are slower, by up to three times (assumed): give theirs where it matters."""


def equilibrium_moisture(air_c: Quantity | float, rh_pct: Quantity | float) -> Quantity:
    """Equilibrium moisture content of wood, %; Wood Handbook eq. (4-5), Hailwood and Horrobin.

    Parameters
    ----------
    air_c
        -40 to 60 °C. Below -1.1 °C, the edge of the handbook's table, the equation is read at that
        edge: beyond it the fit means nothing, and the moisture hardly depends on temperature there.
    rh_pct
        0 to 100 %. Above 95 % the equation is an extrapolation.
    """
    t = np.maximum(air_temperature(air_c), TABLE_EDGE_C)
    h = humidity(rh_pct) / 100.0
    return as_given(_hailwood_horrobin(t, h), air_c, rh_pct)


def _hailwood_horrobin(t: FloatArray, h: FloatArray) -> FloatArray:
    weight = 349.0 + t * (1.29 + t * 0.0135)
    k = 0.805 + t * (0.000736 - t * 0.00000273)
    k1 = 6.27 - t * (0.00938 + t * 0.000303)
    k2 = 1.91 + t * (0.0407 - t * 0.000293)
    kh = k * h
    one, two = k1 * kh, k1 * k2 * kh * kh
    return np.asarray(1800.0 / weight * (kh / (1.0 - kh) + (one + 2.0 * two) / (1.0 + one + two)))


def rh_for_moisture(air_c: Quantity | float, moisture_pct: Quantity | float) -> Quantity:
    """Relative humidity, %, that keeps wood at this moisture: `equilibrium_moisture` undone.

    `moisture_pct` 0 to 26 %; ValueError where even 100 % RH would not give it. To 1e-9 % RH.
    """
    t = np.maximum(air_temperature(air_c), TABLE_EDGE_C)
    wanted = within("moisture_pct", moisture_pct, 0.0, 26.0, "%")
    t, wanted = np.broadcast_arrays(t, wanted)
    if np.any(wanted > _hailwood_horrobin(t, np.ones(t.shape))):
        msg = "moisture_pct exceeds what saturated air of this temperature gives"
        raise ValueError(msg)
    low, high = np.zeros(t.shape), np.ones(t.shape)
    for _ in range(40):
        middle = 0.5 * (low + high)
        drier = _hailwood_horrobin(t, middle) < wanted
        low, high = np.where(drier, middle, low), np.where(drier, high, middle)
    return as_given(50.0 * (low + high), air_c, moisture_pct)


def response_time(
    thickness_mm: Quantity | float,
    outside: Finish,
    inside: Finish,
    *,
    diffusivity_m2_s: float = DIFFUSIVITY_M2_S,
) -> Quantity:
    """Time constant, s, with which a plate's mean moisture follows the air, by its two faces.

    First order: two resistances in series, through the faces, L / (g_out + g_in), and through the
    wood, 4 l² / (pi² D), where l is the way to the middle of what each face serves (L/2 for equal
    faces, L with one face sealed; Crank's slowest term). For equal faces this is within 6 % of the
    exact slowest term (Newman 1931) at any ratio of the two. The finishes' figures are `assumed`
    (see `woods`): believe the answer within a factor of two.

    Parameters
    ----------
    thickness_mm
        0.1 to 200 mm.
    outside, inside
        What covers either face, from `woods.FINISHES`.
    diffusivity_m2_s
        1e-12 to 1e-8 m²/s.
    """
    depth = within("thickness_mm", thickness_mm, 0.1, 200.0, "mm") / 1000.0
    diffusivity = within("diffusivity_m2_s", diffusivity_m2_s, 1e-12, 1e-8, "m²/s")
    total = outside.exchange_m_s + inside.exchange_m_s
    way = depth * max(outside.exchange_m_s, inside.exchange_m_s) / total
    tau = depth / total + 4.0 * way**2 / (math.pi**2 * diffusivity)
    return as_given(np.asarray(tau), thickness_mm)


def unaccomplished_change(fourier: Quantity) -> Quantity:
    """Share of a step not yet followed by a slab whose faces follow at once, from D t / l².

    l is the way from an open face to the sealed face or the middle; `fourier` 0 to 1e6. Source:
    Crank, The Mathematics of Diffusion, eq. (4.18).
    """
    fo = within("fourier", fourier, 0.0, 1e6)
    odd = (2.0 * np.arange(400) + 1.0) ** 2
    terms = np.exp(-odd * (math.pi**2 / 4.0) * fo[..., None]) / odd
    return as_given(np.asarray(8.0 / math.pi**2 * terms.sum(axis=-1)), fourier)


def moisture_course(
    time_s: Sequence[float] | FloatArray,
    air_c: Sequence[float] | FloatArray,
    rh_pct: Sequence[float] | FloatArray,
    *,
    start_pct: float,
    response_s: float,
) -> FloatArray:
    """Mean moisture content of a plate, %, at each reading.

    First-order response to the equilibrium moisture, which is taken as a straight line between
    readings; exact for that.

    Parameters
    ----------
    time_s
        Rising strictly, s.
    air_c, rh_pct
        The air at each time, ranges as in `equilibrium_moisture`.
    start_pct
        Moisture content at the first reading, 0 to 40 %.
    response_s
        Time constant, 1 to 1e9 s, from `response_time`.
    """
    time = increasing("time_s", time_s)
    air = air_temperature(air_c)
    rh = humidity(rh_pct)
    if air.shape != time.shape or rh.shape != time.shape:
        msg = "air_c and rh_pct must have one entry for each of time_s"
        raise ValueError(msg)
    tau = float(within("response_s", response_s, 1.0, 1e9, "s"))
    moisture = float(within("start_pct", start_pct, 0.0, 40.0, "%"))
    target = equilibrium_moisture(air, rh)
    steps = np.diff(time) / tau
    # To a straight line from e0 to e1 over x time constants: m1 = e1 - lag + (m0 - e0 + lag) e^-x,
    # lag = (e1 - e0) / x, that is m1 = decay m0 + drive.
    decay = np.exp(-steps)
    lag = np.diff(target) / steps
    drive = target[1:] - lag - (target[:-1] - lag) * decay
    out = [moisture]
    for kept, gained in zip(decay.tolist(), drive.tolist(), strict=True):
        moisture = kept * moisture + gained
        out.append(moisture)
    return np.asarray(out)


def coefficient_from_shrinkage(shrinkage_pct: Quantity) -> Quantity:
    """Dimensional-change coefficient, per % moisture, from shrinkage green to oven-dry.

    C = 1 / (3000/S - 20): Wood Handbook eq. (13-2) at 10 % moisture, the middle of 6 to 14 %.
    `shrinkage_pct` 0.1 to 20 %.
    """
    shrinkage = within("shrinkage_pct", shrinkage_pct, 0.1, 20.0, "%")
    return as_given(1.0 / (3000.0 / shrinkage - 20.0), shrinkage_pct)


def movement(
    width_mm: Quantity | float,
    coefficient_per_pct: Quantity | float,
    change_pct: Quantity | float,
) -> Quantity:
    """Change of width across the grain, mm; Wood Handbook eq. (13-1). Negative: it shrinks.

    Parameters
    ----------
    width_mm
        0 to 5,000 mm, along the direction that the coefficient is for.
    coefficient_per_pct
        0 to 0.01 per % moisture; from `woods.WOODS`. Holds from 6 to 14 % moisture.
    change_pct
        Change of the moisture content, -30 to 30 %.
    """
    width = within("width_mm", width_mm, 0.0, 5000.0, "mm")
    coefficient = within("coefficient_per_pct", coefficient_per_pct, 0.0, 0.01, "per %")
    change = within("change_pct", change_pct, -30.0, 30.0, "%")
    return as_given(width * coefficient * change, width_mm, coefficient_per_pct, change_pct)


def movement_from_shrinkage(
    width_mm: Quantity | float,
    shrinkage_pct: Quantity | float,
    from_pct: Quantity | float,
    to_pct: Quantity | float,
) -> Quantity:
    """Change of width across the grain, mm, from shrinkage green to oven-dry.

    Wood Handbook eq. (13-2), for moisture outside 6 to 14 %: `from_pct` and `to_pct` 0 to 30 %,
    fibre saturation taken as 30 %. `width_mm` 0 to 5,000 mm at `from_pct`; `shrinkage_pct` 0.1 to
    20 %.
    """
    width = within("width_mm", width_mm, 0.0, 5000.0, "mm")
    shrinkage = within("shrinkage_pct", shrinkage_pct, 0.1, 20.0, "%")
    first = within("from_pct", from_pct, 0.0, 30.0, "%")
    last = within("to_pct", to_pct, 0.0, 30.0, "%")
    change = width * (last - first) / (3000.0 / shrinkage - 30.0 + first)
    return as_given(change, width_mm, shrinkage_pct, from_pct, to_pct)
