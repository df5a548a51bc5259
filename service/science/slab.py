"""A plate that warms or cools in the air of a room: its face's temperature over time.

One-dimensional conduction across a plate that is as warm as the room's air wants it on one face
(or on both, seen from the middle) and adiabatic at the other end of its depth. The coefficient at
the face holds convection and radiation. Nothing is assumed about how small the Biot number is: a
thin plate comes out lumped by itself.

Source: Carslaw and Jaeger, Conduction of Heat in Solids, 2nd ed., section 3.11 (slab with radiation
at its surface); the air's course by Duhamel's theorem, exact for straight lines between instants.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache

import numpy as np

from service.science._checks import FloatArray, increasing, within
from service.science.plate import Wood

__all__ = ["biot", "face_modes", "face_temperature", "lumped_time"]

_COUNT = 40


def biot(depth_mm: float, wood: Wood, h_w_m2k: float) -> float:
    """Biot number h L / k of a depth L from the open face."""
    return h_w_m2k * depth_mm / 1000.0 / wood.conductivity_w_mk


def lumped_time(depth_mm: float, wood: Wood, h_w_m2k: float) -> float:
    """Time constant, s, that the plate would have were it of one temperature: rho c L / h."""
    return wood.density_kg_m3 * wood.heat_capacity_j_kgk * depth_mm / 1000.0 / h_w_m2k


@lru_cache(maxsize=256)
def _modes(biot_number: float) -> tuple[FloatArray, FloatArray]:
    low = np.arange(_COUNT) * math.pi
    high = low + 0.5 * math.pi
    for _ in range(60):
        zeta = 0.5 * (low + high)
        below = zeta * np.sin(zeta) * np.cos(low) < biot_number * np.cos(zeta) * np.cos(low)
        low = np.where(below, zeta, low)
        high = np.where(below, high, zeta)
    zeta = 0.5 * (low + high)
    share = 4.0 * np.sin(zeta) / (2.0 * zeta + np.sin(2.0 * zeta))
    return zeta, np.asarray(share * np.cos(zeta))


def face_modes(biot_number: float) -> tuple[FloatArray, FloatArray]:
    """Eigenvalues (roots of z tan z = Bi) and what each adds to the face's part of a step.

    `biot_number` 1e-4 to 100; the first 40 of each. The parts add up to 1 but for the modes left
    out, which die within the first seconds.
    """
    return _modes(float(within("biot_number", biot_number, 1e-4, 100.0)))


def face_temperature(
    time_s: Sequence[float] | FloatArray,
    air_c: Sequence[float] | FloatArray,
    *,
    start_c: float,
    depth_mm: float,
    wood: Wood,
    h_w_m2k: float,
) -> FloatArray:
    """Temperature of the open face, °C, at each time, of a plate that begins all at `start_c`.

    Parameters
    ----------
    time_s
        Rising strictly, s; the first is when the plate came into this air.
    air_c
        Air about it at each time, -60 to 80 °C; a straight line between.
    start_c
        -60 to 80 °C.
    depth_mm
        From the open face to the middle (both faces open) or to the closed back: 0.1 to 100 mm.
    h_w_m2k
        Convection and radiation together, 0.5 to 100 W/(m² K).
    """
    time = increasing("time_s", time_s)
    air = within("air_c", air_c, -60.0, 80.0, "°C")
    if air.shape != time.shape:
        msg = "air_c must have one entry for each of time_s"
        raise ValueError(msg)
    start = float(within("start_c", start_c, -60.0, 80.0, "°C"))
    depth = float(within("depth_mm", depth_mm, 0.1, 100.0, "mm"))
    h = float(within("h_w_m2k", h_w_m2k, 0.5, 100.0, "W/(m² K)"))
    zeta, weight = face_modes(biot(depth, wood, h))
    # What the modes left out hold goes with the last one, so that the face begins at the start.
    weight = np.append(weight[:-1], 1.0 - weight[:-1].sum())
    capacity = wood.density_kg_m3 * wood.heat_capacity_j_kgk * (depth / 1000.0) ** 2
    rate = zeta**2 * wood.conductivity_w_mk / capacity
    steps, slopes = np.diff(time), np.diff(air) / np.diff(time)
    behind = np.full(rate.size, air[0] - start)
    face = [start]
    for step, slope, now in zip(steps.tolist(), slopes.tolist(), air[1:].tolist(), strict=True):
        kept = np.exp(-rate * step)
        behind = behind * kept + slope * (1.0 - kept) / rate
        face.append(now - float(weight @ behind))
    return np.asarray(face)
