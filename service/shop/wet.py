"""How the shop puts a coat to the film model: one call for all who ask, and where it ends."""

from __future__ import annotations

from dataclasses import dataclass, replace

from service.science import film
from service.science.film import Quantity
from service.shop.materials import Coating, Material

__all__ = ["Beyond", "beyond_model", "film_floor", "in_model"]


@dataclass(frozen=True)
class Beyond:
    """A quantity outside what the film model covers, and the limit it is beyond."""

    name: str
    value: float
    limit: float
    unit: str


def beyond_model(
    air_c: float, surface_c: float, coating: Coating, pressure_pa: float
) -> Beyond | None:
    """Name what the film model does not cover; None where it covers all."""
    asked = (
        ("air", air_c, film.AIR_MIN_C, film.AIR_MAX_C, "°C"),
        ("the work", surface_c, film.AIR_MIN_C, film.AIR_MAX_C, "°C"),
        ("a wet film", coating.wet_um, 0.0, film.WET_MAX_UM, "µm"),
        ("air pressure", pressure_pa, film.PRESSURE_MIN_PA, film.PRESSURE_MAX_PA, "Pa"),
    )
    for name, value, low, high, unit in asked:
        if not low <= value <= high:
            return Beyond(name, value, low if value < low else high, unit)
    return None


def in_model(coating: Coating) -> Coating:
    """Return a coat as the model takes it.

    A film thinner than the model's thinnest is taken as that one, which gets colder: the thicker
    the film, the deeper its dip. In the minutes that count, a plate thicker than the model's
    thickest is no warmer than that one.
    """
    return replace(
        coating,
        wet_um=max(coating.wet_um, film.WET_MIN_UM),
        plate_mm=min(coating.plate_mm, film.PLATE_MAX_MM),
    )


def film_floor(
    material: Material,
    coating: Coating,
    air_c: Quantity,
    rh_pct: Quantity,
    *,
    surface_c: Quantity | float | None,
    pressure_pa: float,
    wet_um: Quantity | float | None = None,
    retarder_pct: Quantity | float | None = None,
) -> film.FilmFloor[Quantity]:
    """Reckon a coat's film; ``wet_um`` and ``retarder_pct`` stand in for those of ``coating``."""
    coat = in_model(coating)
    return film.floor(
        material.sprayed,
        air_c,
        rh_pct,
        wet_um=coat.wet_um if wet_um is None else wet_um,
        h_w_m2k=coat.h_w_m2k,
        plate_mm=coat.plate_mm,
        retarder_pct=coat.retarder_pct if retarder_pct is None else retarder_pct,
        retarder=material.retarder or film.DEFAULT_RETARDER,
        pressure_pa=pressure_pa,
        surface_c=surface_c,
    )
