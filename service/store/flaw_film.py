"""The wet film of a recorded coat, reckoned in the air it went on in; the last ones are kept."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Sequence
from functools import lru_cache

import numpy as np

from service.science import film
from service.shop.air import SURFACE_ASSUMED_SD_K
from service.shop.evidence.model import AirAt, FilmAt
from service.shop.materials import Coating, Material
from service.shop.wet import beyond_model, film_floor, in_model
from service.store.tables import Coat

__all__ = ["FilmCase", "FilmReckoner", "blush_margins", "film_case", "film_reckoner"]

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

    def reckon(self) -> FilmAt:
        """Reckon it."""
        air, material, coat = self.air, self.material, in_model(self.coating)
        floor = film_floor(
            material,
            coat,
            air.air_c,
            air.rh_pct,
            surface_c=air.surface_c if air.surface_measured else None,
            pressure_pa=self.pressure_pa,
        )
        risk = film.blush_risk(
            material.sprayed,
            air.air_c,
            air.rh_pct,
            air_sd_k=min(air.air_sd_k, MOST_SD_K),
            rh_sd_pct=min(air.rh_sd_pct, MOST_SD_PCT),
            wet_um=coat.wet_um,
            h_w_m2k=coat.h_w_m2k,
            plate_mm=coat.plate_mm,
            retarder_pct=coat.retarder_pct,
            retarder=material.retarder or film.DEFAULT_RETARDER,
            pressure_pa=self.pressure_pa,
            surface_c=air.surface_c if air.surface_measured else None,
        )
        floor_c = float(floor.film_floor_c)
        unmeasured = 0.0 if air.surface_measured else SURFACE_ASSUMED_SD_K
        return FilmAt(
            film_floor_c=floor_c,
            blush_margin_k=None if air.dew_point_c is None else floor_c - air.dew_point_c,
            blush_margin_sd_k=float((float(risk.blush_margin_sd_k) ** 2 + unmeasured**2) ** 0.5),
            blush_probability=float(risk.probability),
            haze_margin_k=self._haze_margin_k(coat),
        )

    def _haze_margin_k(self, coat: Coating) -> float | None:
        air, material = self.air, self.material
        if air.dew_point_c is None:
            return None
        clouds = film.haze_dew_point(
            material.sprayed,
            air.air_c,
            wet_um=coat.wet_um,
            h_w_m2k=coat.h_w_m2k,
            plate_mm=coat.plate_mm,
            retarder_pct=coat.retarder_pct,
            retarder=material.retarder or film.DEFAULT_RETARDER,
            pressure_pa=self.pressure_pa,
            surface_c=air.surface_c if air.surface_measured else None,
        )
        margin = float(clouds) - air.dew_point_c
        return margin if math.isfinite(margin) else None


FilmReckoner = Callable[[FilmCase], FilmAt]
"""Reckons a coat's film."""


def film_case(
    air: AirAt, material: Material, coat: Coat, plate_mm: float, pressure_pa: float
) -> FilmCase | None:
    """Return what a coat's film on a plate [mm] depends on; None where the model ends."""
    coating = Coating(coat.wet_um, coat.retarder_pct, plate_mm)
    if material.blend is None or beyond_model(air.air_c, air.surface_c, coating, pressure_pa):
        return None
    return FilmCase(air, material, coating, pressure_pa)


def film_reckoner(size: int = 512) -> FilmReckoner:
    """Make a reckoner that keeps what it reckoned last: the same coats are asked for again."""
    return lru_cache(maxsize=size)(FilmCase.reckon)


def blush_margins(cases: Sequence[FilmCase | None]) -> list[float]:
    """Reckon the film floor over the dew point [K] of many coats at once; NaN where not known.

    What :meth:`FilmCase.reckon` gives one by one, without its spread and much sooner: films of one
    material are followed together.
    """
    margins = [math.nan] * len(cases)
    alike: dict[tuple[int, float], list[int]] = defaultdict(list)
    for number, case in enumerate(cases):
        if case is not None and case.air.dew_point_c is not None:
            alike[id(case.material), case.pressure_pa].append(number)
    for numbers in alike.values():
        together = [case for n in numbers if (case := cases[n]) is not None]
        material = together[0].material
        coats = [in_model(case.coating) for case in together]
        found = film.floor(
            material.sprayed,
            np.array([case.air.air_c for case in together]),
            np.array([case.air.rh_pct for case in together]),
            wet_um=np.array([coat.wet_um for coat in coats]),
            h_w_m2k=np.array([coat.h_w_m2k for coat in coats]),
            plate_mm=np.array([coat.plate_mm for coat in coats]),
            retarder_pct=np.array([coat.retarder_pct for coat in coats]),
            retarder=material.retarder or film.DEFAULT_RETARDER,
            pressure_pa=together[0].pressure_pa,
            surface_c=np.array([case.surface_c for case in together]),
        )
        for number, case, floor_c in zip(numbers, together, found.film_floor_c, strict=True):
            margins[number] = float(floor_c) - float(case.air.dew_point_c or 0.0)
    return margins
