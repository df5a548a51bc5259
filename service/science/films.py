"""Films of one blend, many at once, as the fast form steps them."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.science._checks import FloatArray
from service.science.plate import Modes
from service.science.stepping import Wet

__all__ = ["Cases", "Films", "Outcome", "rows_of"]


@dataclass(frozen=True, eq=False)
class Cases:
    """Numbers of N films, each an array (N,), in SI units and kelvin."""

    retarder_pct: FloatArray
    air_k: FloatArray
    water_pa: FloatArray
    pressure_pa: FloatArray
    face_k: FloatArray
    wet_m: FloatArray
    h_w_m2k: FloatArray
    plate_mm: FloatArray


@dataclass(frozen=True, eq=False)
class Outcome:
    """What became of N films, each an array (N,); water in mol/m², solvent in kg/m²."""

    floor_k: FloatArray
    floor_at_s: FloatArray
    condensed_peak: FloatArray
    condensed_at_set: FloatArray
    water_peak: FloatArray
    water_at_set: FloatArray
    free_at_set: FloatArray
    """Of that, what lies as droplets because it is more than dissolves."""
    set_at_s: FloatArray
    released: FloatArray
    sprayed: FloatArray
    """Solvent and propellant that left the nozzle for the film."""
    peak: FloatArray
    """Highest rate of release, kg/(m² s)."""


@dataclass(eq=False)
class Films:
    """Films still being followed; `row` is where each stands among all."""

    row: NDArray[np.intp]
    laid: float
    """Share of the coat that is down."""
    cases: Cases
    plates: Modes
    wet: Wet
    time: FloatArray
    step: FloatArray
    left: FloatArray
    """Solvent in the film before the last step, m³/m²."""
    condensed: FloatArray
    sprayed: FloatArray
    landed: FloatArray
    landed_condensed: FloatArray
    landed_k: FloatArray
    landed_heat: FloatArray
    solids_volume: FloatArray
    solids_heat: FloatArray
    limit: FloatArray
    conductance: FloatArray
    back: FloatArray


def rows_of(record: Any, keep: NDArray[np.bool_] | slice) -> Any:
    """Take some rows of every array in a record of records."""
    if isinstance(record, np.ndarray):
        return record[keep]
    if isinstance(record, float):
        return record
    return type(record)(**{f.name: rows_of(getattr(record, f.name), keep) for f in fields(record)})
