"""The plate under a film: one-dimensional conduction through earlier coats and wood.

The plate is cut into cells that widen from the wet face inwards. Its back is taken as adiabatic: a
closed body warms it little within minutes, and the film comes out a little colder for it, which is
the cautious side.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from service.science import wood_heat
from service.science._checks import FloatArray

__all__ = ["WOODS", "Cells", "Modes", "Wood", "cells", "modes"]

COAT_CONDUCTIVITY_W_MK = 0.17
COAT_HEAT_CAPACITY_J_M3K = 1.7e6
"""Dry lacquer, as polymers are: 0.15 to 0.2 W/(m K), 1200 kg/m³ by 1.4 kJ/(kg K); `from memory`."""

_MOISTURE_PCT = 8.0


@dataclass(frozen=True)
class Wood:
    """Heat properties across the grain, at room temperature and 8 % moisture.

    Attributes
    ----------
    density_kg_m3 : float
        At that moisture.
    conductivity_w_mk, heat_capacity_j_kgk : float
        See `wood_heat`.
    """

    density_kg_m3: float
    conductivity_w_mk: float
    heat_capacity_j_kgk: float


def _wood(specific_gravity: float) -> Wood:
    return Wood(
        wood_heat.density(specific_gravity, _MOISTURE_PCT),
        wood_heat.conductivity(specific_gravity, _MOISTURE_PCT),
        wood_heat.heat_capacity(_MOISTURE_PCT, 20.0),
    )


WOODS: dict[str, Wood] = {
    "spruce": _wood(0.40),
    "cedar": _wood(0.33),
    "mahogany": _wood(0.48),
    "walnut": _wood(0.54),
    "maple": _wood(0.62),
}
"""Usual instrument woods; specific gravities `from memory`, within what handbooks list."""


@dataclass(frozen=True, eq=False)
class Cells:
    """A plate cut into K cells, per m² of face.

    Attributes
    ----------
    capacity : array (K,)
        Heat capacity of each, J/(m² K).
    conductance : array (K,)
        Between each and the one before it, W/(m² K); the first is to the wet face.
    """

    capacity: FloatArray
    conductance: FloatArray

    def matrix(self) -> FloatArray:
        """(K, K): rate of change of the cells' temperatures, 1/s, with the wet face at zero."""
        inner = self.conductance[1:]
        flow = np.diag(-self.conductance)
        flow[np.arange(inner.size), np.arange(inner.size)] -= inner
        flow += np.diag(inner, 1) + np.diag(inner, -1)
        return np.asarray(flow / self.capacity[:, None])


def cells(plate_mm: float, wood: Wood, earlier_um: float, count: int, first_um: float) -> Cells:
    """Cut earlier coats and wood into `count` cells that widen evenly from `first_um` on."""
    coat, depth = earlier_um * 1e-6, earlier_um * 1e-6 + plate_mm * 1e-3
    first = first_um * 1e-6
    widths = _growth(depth / first, count) ** np.arange(count)
    faces = np.concatenate([[0.0], np.cumsum(widths)]) * (depth / widths.sum())
    middles = 0.5 * (faces[1:] + faces[:-1])
    wood_heat = wood.density_kg_m3 * wood.heat_capacity_j_kgk

    def heat(x: FloatArray) -> FloatArray:
        return np.asarray(
            COAT_HEAT_CAPACITY_J_M3K * np.minimum(x, coat) + wood_heat * np.maximum(x - coat, 0.0)
        )

    def resistance(x: FloatArray) -> FloatArray:
        return np.asarray(
            np.minimum(x, coat) / COAT_CONDUCTIVITY_W_MK
            + np.maximum(x - coat, 0.0) / wood.conductivity_w_mk
        )

    from_face = np.concatenate([[0.0], resistance(middles)])
    return Cells(capacity=np.diff(heat(faces)), conductance=1.0 / np.diff(from_face))


def _growth(whole: float, count: int) -> float:
    """Ratio of neighbouring widths with which `count` cells, the first of width 1, fill `whole`."""
    low, high = 1.0, 4.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        if (middle ** np.arange(count)).sum() < whole:
            low = middle
        else:
            high = middle
    return low


@dataclass(eq=False)
class Modes:
    """Plates as eigenmodes (N, K), seen from the wet face; temperatures as above its first."""

    rate: FloatArray
    gain: FloatArray
    """What each adds to the face's cell for each K that the film stays warmer."""
    amplitude: FloatArray
    """What each adds to the face's cell now, K."""
    conductance: FloatArray
    """From the film to the face's cell, W/(m² K): (N,)."""

    def response(self, dt: FloatArray, warmer: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Amplitudes after a step if the face ends at zero, and what each K at its end adds.

        The film's temperature, `warmer` (N,) before the step, runs straight over it.
        """
        z = self.rate * dt[:, None]
        decay = np.exp(-z)
        mean = (1.0 - decay) / (z + 1e-12)
        held = self.amplitude * decay + self.gain * (mean - decay) * warmer[:, None]
        return held, self.gain * (1.0 - mean)


_MODES, _FIRST_CELL_UM = 12, 50.0


@lru_cache(maxsize=4096)
def _modes(plate_mm: float, wood: Wood, earlier_um: float) -> FloatArray:
    """Rate and gain of each eigenmode of a plate, and in a third row the face's conductance."""
    plate = cells(plate_mm, wood, earlier_um, _MODES, _FIRST_CELL_UM)
    root = np.sqrt(plate.capacity)
    rates, vectors = np.linalg.eigh(-plate.matrix() * (root[:, None] / root))
    face = vectors[0] / root[0]
    first = plate.conductance[0]
    return np.stack([rates, first * face**2 / rates, np.full(_MODES, first)])


def modes(plate_mm: FloatArray, wood: Wood, earlier_um: float) -> Modes:
    """Eigenmodes of N plates of one wood under the same earlier coats."""
    kinds, index = np.unique(plate_mm, return_inverse=True)
    made = np.stack([_modes(float(mm), wood, earlier_um) for mm in kinds])[index]
    rate, gain, first = made.transpose(1, 0, 2)
    return Modes(rate, gain, np.zeros_like(rate), first[:, 0])
