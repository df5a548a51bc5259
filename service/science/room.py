"""Water and heat in one room of well-mixed air with fresh air coming in.

    M dw/dt = n M (w_in - w) - m          water
    Q = (C + V rho cp) dT + (U A + n V rho cp) dT t          heat

M is the dry air in the room, n the changes an hour, w_in the humidity ratio of the air that comes
in, m the water that a machine takes out. Walls and wood that give water back are left out: a room
full of damp timber dries more slowly than this. Scalars; out of range or NaN raises ValueError
naming the argument.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from service.science import air as moist
from service.science._checks import FloatArray, within
from service.science.constants import STANDARD_PRESSURE_PA

__all__ = [
    "box_area",
    "dry_air",
    "heat_to_hold",
    "heat_to_warm",
    "humidity_course",
    "steady_ratio",
    "ventilation_loss",
]

DRY_AIR_HEAT_J_KGK, VAPOUR_HEAT_J_KGK = 1006.0, 1860.0
"""As in the enthalpy of moist air, ASHRAE Handbook - Fundamentals 2017, ch. 1 eq. (30)."""

HOUR_S = 3600.0


def dry_air(
    volume_m3: float, air_c: float, w: float, pressure_pa: float = STANDARD_PRESSURE_PA
) -> float:
    """Mass of dry air, kg, in a room of 0.1 to 1e6 m³."""
    volume = float(within("volume_m3", volume_m3, 0.1, 1e6, "m³"))
    return volume * float(moist.density(air_c, w, pressure_pa)) / (1.0 + w)


def steady_ratio(
    makeup_w: float, removal_kg_h: float, dry_air_kg: float, air_changes_h: float
) -> float:
    """Humidity ratio that the room comes to, w_in - m / (n M); minus infinity without fresh air.

    A figure below zero says that the machine could take out more than there is.
    """
    makeup, removal, mass, changes = _checked(makeup_w, removal_kg_h, dry_air_kg, air_changes_h)
    if removal == 0.0:
        return makeup
    return makeup - removal / (changes * mass) if changes > 0.0 else -math.inf


def humidity_course(
    time_h: Sequence[float] | FloatArray,
    *,
    start_w: float,
    makeup_w: float,
    removal_kg_h: float,
    dry_air_kg: float,
    air_changes_h: float,
) -> FloatArray:
    """Humidity ratio at each time, h from the start (0 and on): the balance above, solved.

    `start_w` and `makeup_w` 0 to 0.5; `removal_kg_h` 0 to 1,000 kg/h; `dry_air_kg` 0.01 to 1e7 kg;
    `air_changes_h` 0 to 1,000. May go below zero: what a machine can do ends before that.
    """
    time = within("time_h", time_h, 0.0, 1e6, "h")
    makeup, removal, mass, changes = _checked(makeup_w, removal_kg_h, dry_air_kg, air_changes_h)
    start = float(within("start_w", start_w, 0.0, 0.5, "kg/kg"))
    x = changes * time
    # (1 - e^-x) / x, which is 1 without fresh air: then the water goes by a straight line.
    share = np.where(x > 1e-12, -np.expm1(-x) / np.maximum(x, 1e-12), 1.0)
    return np.asarray(start + (makeup - start) * x * share - removal / mass * time * share)


def box_area(volume_m3: float, height_m: float) -> float:
    """Area of floor, ceiling and walls, m², of a room with a square floor."""
    floor = float(within("volume_m3", volume_m3, 0.1, 1e6, "m³")) / height_m
    return 2.0 * floor + 4.0 * math.sqrt(floor) * height_m


def ventilation_loss(dry_air_kg: float, w: float, air_changes_h: float) -> float:
    """Heat that fresh air takes, W for each K that the room is warmer."""
    changes = float(within("air_changes_h", air_changes_h, 0.0, 1000.0, "1/h"))
    return changes * _air_heat(dry_air_kg, w) / HOUR_S


def heat_to_warm(warming_k: float, dry_air_kg: float, w: float, contents_j_k: float) -> float:
    """Heat, J, that brings the room's air, and what else in it warms along, up by `warming_k`."""
    return warming_k * (_air_heat(dry_air_kg, w) + contents_j_k)


def heat_to_hold(warming_k: float, loss_w_k: float) -> float:
    """Power, W, that holds the room warmer by `warming_k` against a loss in W/K."""
    return warming_k * loss_w_k


def _air_heat(dry_air_kg: float, w: float) -> float:
    return dry_air_kg * (DRY_AIR_HEAT_J_KGK + w * VAPOUR_HEAT_J_KGK)


def _checked(
    makeup_w: float, removal_kg_h: float, dry_air_kg: float, air_changes_h: float
) -> tuple[float, float, float, float]:
    return (
        float(within("makeup_w", makeup_w, 0.0, 0.5, "kg/kg")),
        float(within("removal_kg_h", removal_kg_h, 0.0, 1000.0, "kg/h")),
        float(within("dry_air_kg", dry_air_kg, 0.01, 1e7, "kg")),
        float(within("air_changes_h", air_changes_h, 0.0, 1000.0, "1/h")),
    )
