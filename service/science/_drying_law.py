"""How a material's drying depends on the air and the film: the constants of one material."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from service.science._checks import FloatArray, Quantity, air_temperature, humidity, within
from service.science._integral import Path
from service.science.constants import GAS_CONSTANT, ZERO_CELSIUS_K

__all__ = ["DryingLaw", "film_factor", "path"]

Series = Sequence[float] | FloatArray


@dataclass(frozen=True)
class DryingLaw:
    """How a material's drying depends on air and film; every factor is 1 at the reference.

    Attributes
    ----------
    reference_c, reference_rh_pct, reference_film_um
        Air and film that the material's reference times are for: °C, %, µm. The film is whichever
        thickness, wet or dry, the material's coats are told in.
    activation_kj_mol
        Ea, 0 to 200 kJ/mol. Doubling for 10 K near room temperature is 51.
    film_exponent
        n, 0 to 3. 1: as fast as the surface can evaporate; 2: held back by diffusion in the film.
    rh_per_pct
        k, -0.2 to 0.2 per % RH; 0.01 slows by a hundredth for each point of RH more.
    air_exponent
        m, 0 to 1, of the heat- or mass-transfer coefficient over its reference.
    """

    reference_c: float
    reference_rh_pct: float
    activation_kj_mol: float
    film_exponent: float
    reference_film_um: float
    rh_per_pct: float
    air_exponent: float = 0.0

    def __post_init__(self) -> None:
        within("reference_c", self.reference_c, -40.0, 60.0, "°C")
        within("reference_rh_pct", self.reference_rh_pct, 0.0, 100.0, "%")
        within("activation_kj_mol", self.activation_kj_mol, 0.0, 200.0, "kJ/mol")
        within("film_exponent", self.film_exponent, 0.0, 3.0)
        within("reference_film_um", self.reference_film_um, 0.1, 5000.0, "µm")
        within("rh_per_pct", self.rh_per_pct, -0.2, 0.2, "per %")
        within("air_exponent", self.air_exponent, 0.0, 1.0)


def film_factor(law: DryingLaw, film_um: Quantity | float) -> FloatArray:
    """Factor for the film's thickness, 0.1 to 5,000 µm."""
    film = within("film_um", film_um, 0.1, 5000.0, "µm")
    return np.asarray((law.reference_film_um / film) ** law.film_exponent)


def path(
    law: DryingLaw,
    time_s: FloatArray,
    air_c: Quantity | float | Series,
    rh_pct: Quantity | float | Series,
    h_ratio: Quantity | float | Series,
) -> Path:
    """Way of the air under a law; `h_ratio` is 0.01 to 100, one for all or one for each time."""
    air = air_temperature(air_c)
    rh = humidity(rh_pct)
    h = within("h_ratio", h_ratio, 0.01, 100.0)
    theta = law.activation_kj_mol * 1000.0 / GAS_CONSTANT
    level = theta / (law.reference_c + ZERO_CELSIUS_K) + law.rh_per_pct * law.reference_rh_pct
    if law.air_exponent and h.ndim == 0:
        level += law.air_exponent * math.log(h)
    changing = law.air_exponent and h.ndim
    return Path(
        time=time_s,
        air_c=air,
        rh_pct=rh,
        movement=law.air_exponent * np.log(h) if changing else None,
        theta=theta,
        level=level,
        per_rh=law.rh_per_pct,
    )
