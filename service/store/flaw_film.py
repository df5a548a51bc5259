"""The wet films of recorded coats, reckoned in the air they went on in; the last ones are kept."""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Iterator, Sequence
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.science import film
from service.shop.air import SURFACE_ASSUMED_SD_K
from service.shop.evidence.model import AirAt, FilmAt
from service.shop.materials import Coating, Material
from service.shop.wet import beyond_model, in_model
from service.store.tables import Coat

__all__ = ["FilmCase", "FilmReckoner", "blush_margins", "film_case", "film_reckoner"]

Floats = NDArray[np.float64]

MOST_SD_K, MOST_SD_PCT = 5.0, 20.0
"""Beyond that the film model takes no spread; air that is so uncertain tells nothing anyway."""


class FilmCase:
    """What a film depends on, as a key: a material stands in it by its id and figures' identity."""

    def __init__(self, air: AirAt, material: Material, coating: Coating, pressure_pa: float):
        self.air, self.material, self.coating, self.pressure_pa = (
            air,
            material,
            coating,
            pressure_pa,
        )
        self._key = (
            air.air_c, air.rh_pct, air.surface_c, air.surface_measured, air.air_sd_k,
            air.rh_sd_pct, id(material), coating, pressure_pa,
        )  # fmt: skip

    def __hash__(self) -> int:
        return hash(self._key)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, FilmCase) and self._key == other._key

    @property
    def surface_c(self) -> float:
        """Temperature of the work [°C], taken as the air's where it was not measured."""
        return self.air.surface_c if self.air.surface_measured else self.air.air_c

    @property
    def alike(self) -> tuple[Hashable, ...]:
        """What films must share to be followed together."""
        air = self.air
        return (id(self.material), self.pressure_pa, air.air_sd_k, air.rh_sd_pct)


FilmCases = tuple[FilmCase | None, ...]
FilmReckoner = Callable[[FilmCases], tuple[FilmAt | None, ...]]
"""Reckons the films of a piece's coats, all at once; None where the model does not cover one.

Always all of them: films are followed together, and in other company the last bits of a figure may
be others.
"""


def film_case(
    air: AirAt, material: Material, coat: Coat, plate_mm: float, pressure_pa: float
) -> FilmCase | None:
    """Return what a coat's film on a plate [mm] depends on; None where the model ends."""
    coating = Coating(coat.wet_um, coat.retarder_pct, plate_mm)
    if material.blend is None or beyond_model(air.air_c, air.surface_c, coating, pressure_pa):
        return None
    return FilmCase(air, material, coating, pressure_pa)


def film_reckoner(size: int = 64) -> FilmReckoner:
    """Make a reckoner that keeps what it reckoned last: the same pieces are asked for again."""
    return lru_cache(maxsize=size)(_reckon)


def blush_margins(cases: Sequence[FilmCase | None]) -> list[float]:
    """Reckon the film floor over the dew point [K] of many coats at once; NaN where not known."""
    margins = [math.nan] * len(cases)
    for numbers, together in _groups(cases, lambda case: case.alike[:2]):
        for number, case, floor_c in zip(numbers, together, _floors(together), strict=True):
            if case.air.dew_point_c is not None:
                margins[number] = floor_c - case.air.dew_point_c
    return margins


def _reckon(cases: FilmCases) -> tuple[FilmAt | None, ...]:
    found: list[FilmAt | None] = [None] * len(cases)
    for numbers, together in _groups(cases, lambda case: case.alike):
        for number, film_at in zip(numbers, _alike(together), strict=True):
            found[number] = film_at
    return tuple(found)


def _groups(
    cases: Sequence[FilmCase | None], key: Callable[[FilmCase], Hashable]
) -> Iterator[tuple[list[int], list[FilmCase]]]:
    groups: dict[Hashable, tuple[list[int], list[FilmCase]]] = {}
    for number, case in enumerate(cases):
        if case is not None:
            numbers, together = groups.setdefault(key(case), ([], []))
            numbers.append(number)
            together.append(case)
    yield from groups.values()


def _floors(cases: Sequence[FilmCase]) -> list[float]:
    """Film floors [°C] of coats of one material under one pressure."""
    material, columns = cases[0].material, _columns(cases)
    found = film.floor(
        material.sprayed,
        _column(cases, lambda case: case.air.air_c),
        _column(cases, lambda case: case.air.rh_pct),
        surface_c=_column(cases, lambda case: case.surface_c),
        **columns,
    )
    return [float(floor_c) for floor_c in found.film_floor_c]


def _alike(cases: Sequence[FilmCase]) -> list[FilmAt]:
    """Films of coats of one material in air known equally well."""
    material, columns = cases[0].material, _columns(cases)
    air_c = _column(cases, lambda case: case.air.air_c)
    # Not a number: as warm as the air, whatever that may be within its doubt.
    surface_c = _column(
        cases, lambda case: case.air.surface_c if case.air.surface_measured else math.nan
    )
    risk = film.blush_risk(
        material.sprayed,
        air_c,
        _column(cases, lambda case: case.air.rh_pct),
        air_sd_k=min(cases[0].air.air_sd_k, MOST_SD_K),
        rh_sd_pct=min(cases[0].air.rh_sd_pct, MOST_SD_PCT),
        surface_c=surface_c,
        **columns,
    )
    clouds = film.haze_dew_point(material.sprayed, air_c, surface_c=surface_c, **columns)
    floors = [float(floor_c) for floor_c in risk.film.film_floor_c]
    found = []
    for n, (case, floor_c) in enumerate(zip(cases, floors, strict=True)):
        dew_c = case.air.dew_point_c
        haze = math.nan if dew_c is None else float(clouds[n]) - dew_c
        unmeasured = 0.0 if case.air.surface_measured else SURFACE_ASSUMED_SD_K
        found.append(
            FilmAt(
                film_floor_c=floor_c,
                blush_margin_k=None if dew_c is None else floor_c - dew_c,
                blush_margin_sd_k=math.hypot(float(risk.blush_margin_sd_k[n]), unmeasured),
                blush_probability=float(risk.probability[n]),
                haze_margin_k=haze if math.isfinite(haze) else None,
            )
        )
    return found


def _columns(cases: Sequence[FilmCase]) -> dict[str, Any]:
    """What every question about their films is asked with."""
    coats = [in_model(case.coating) for case in cases]
    return {
        "wet_um": np.array([coat.wet_um for coat in coats]),
        "h_w_m2k": np.array([coat.h_w_m2k for coat in coats]),
        "plate_mm": np.array([coat.plate_mm for coat in coats]),
        "retarder_pct": np.array([coat.retarder_pct for coat in coats]),
        "retarder": cases[0].material.retarder or film.DEFAULT_RETARDER,
        "pressure_pa": cases[0].pressure_pa,
    }


def _column(cases: Sequence[FilmCase], figure: Callable[[FilmCase], float]) -> Floats:
    return np.array([figure(case) for case in cases], dtype=np.float64)
