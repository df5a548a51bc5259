"""How likely a film is to dip below the dew point, and how much water it would hold at set."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, fields
from functools import cached_property
from typing import Any, Generic

import numpy as np

from service.science import air
from service.science._checks import FloatArray, Quantity, as_given, within
from service.science.blend import Blend
from service.science.constants import STANDARD_PRESSURE_PA
from service.science.lot import Lot
from service.science.wet_film import (
    AIR_MAX_C,
    AIR_MIN_C,
    DEFAULT_RETARDER,
    DEFAULT_WOOD,
    FilmFloor,
)

__all__ = ["MODEL_SD_K", "BlushRisk", "blush_risk"]

MODEL_SD_K = 1.5
"""Standard deviation of the film floor about the truth, K: `assumed`, from two parts.

What a shop does not know of its own spraying (draught, film, drops, recipe, wood) moves the floor
by 0.3 to 1.1 K (``deploy/blush_rules.py --spread``). Measurements of evaporation put the exponent
of the analogy between 0.56 and 2/3, a tenth of the dip or some 0.8 K. Together about 1.3 K; no
film floor was measured for this, so it is rounded up.
"""

_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(7)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()
_STEP_K, _STEP_RH_PCT = 0.5, 1.0


@dataclass(frozen=True)
class BlushRisk(Generic[Quantity]):
    """The blush margin and what follows from its spread; floats, or arrays where arrays were given.

    Attributes
    ----------
    probability : float or array
        That the film floor is below the dew point, 0 to 1.
    blush_margin_k : float or array
        Film floor minus dew point, K.
    blush_margin_sd_k : float or array
        Its standard deviation, from the sensor and the model, K.
    film : FilmFloor
        What becomes of the film in the air as it is given.
    """

    probability: Quantity
    blush_margin_k: Quantity
    blush_margin_sd_k: Quantity
    film: FilmFloor[Quantity]
    _caught: Callable[[], Quantity] = field(repr=False)

    @cached_property
    def expected_condensed_g_m2(self) -> Quantity:
        """Expected condensed water caught when the film sets, g/m²; reckoned when first asked."""
        return self._caught()


def blush_risk(
    blend: Blend,
    air_c: Quantity | float,
    rh_pct: Quantity | float,
    *,
    air_sd_k: float,
    rh_sd_pct: float,
    wet_um: Quantity | float,
    h_w_m2k: Quantity | float,
    plate_mm: Quantity | float,
    model_sd_k: float = MODEL_SD_K,
    retarder_pct: Quantity | float = 0.0,
    retarder: str = DEFAULT_RETARDER,
    pressure_pa: Quantity | float = STANDARD_PRESSURE_PA,
    surface_c: Quantity | float | None = None,
    wood: str = DEFAULT_WOOD,
    earlier_um: float = 0.0,
) -> BlushRisk[Quantity]:
    """Probability that the film floor lies below the dew point, and the water then caught.

    The sensor's errors of temperature and humidity are taken as independent and normal; so is the
    model's own of the film floor. Film floor and dew point move together with the air's
    temperature, which is allowed for (and with it the surface, where `surface_c` is not given).

    Parameters
    ----------
    air_sd_k, rh_sd_pct : float
        Standard deviations of the air's temperature, 0 to 5 K, and humidity, 0 to 20 %.
    model_sd_k : float
        Standard deviation of the model's film floor, 0 to 10 K.
    blend, air_c, rh_pct, wet_um, h_w_m2k, plate_mm, retarder_pct, retarder, pressure_pa, \
surface_c, wood, earlier_um
        As for `film.floor`.

    Returns
    -------
    BlushRisk

    Raises
    ------
    ValueError
        If something is out of range or not known; the message names it.
    """
    air_sd = float(within("air_sd_k", air_sd_k, 0.0, 5.0, "K"))
    rh_sd = float(within("rh_sd_pct", rh_sd_pct, 0.0, 20.0, "%"))
    model_sd = float(within("model_sd_k", model_sd_k, 0.0, 10.0, "K"))
    face = np.nan if surface_c is None else surface_c
    columns = np.broadcast_arrays(
        air_c, rh_pct, wet_um, h_w_m2k, plate_mm, retarder_pct, pressure_pa, face
    )
    shape = columns[0].shape
    one, humid, *coat = (np.ravel(column).astype(np.float64) for column in columns)
    films = Lot(blend, retarder, wood, earlier_um, *coat).in_air

    warm = np.clip(one + _STEP_K, AIR_MIN_C, AIR_MAX_C)
    cold = np.clip(one - _STEP_K, AIR_MIN_C, AIR_MAX_C)
    # Slopes of bone-dry air are taken a little off zero, where the dew point still has one.
    dry = np.clip(humid - _STEP_RH_PCT, _STEP_RH_PCT, 100.0)
    damp = np.clip(humid + _STEP_RH_PCT, 3.0 * _STEP_RH_PCT, 100.0)
    airs = np.stack([one, warm, cold, one, one])
    humids = np.stack([humid, humid, humid, damp, dry])
    found = films(airs, humids)
    near = found.film_floor_c.reshape(airs.shape) - air.dew_point(airs, humids)
    margin = near[0]
    by_air = (near[1] - near[2]) / (warm - cold)
    by_rh = (near[3] - near[4]) / (damp - dry)
    spread = np.sqrt((by_air * air_sd) ** 2 + (by_rh * rh_sd) ** 2 + model_sd**2)

    def caught() -> Quantity:
        # The margin's spread is played through as humidity, the strongest of its causes.
        moved = _NODES[:, None] * spread / np.minimum(by_rh, -1e-3)
        water = films(np.tile(one, (_NODES.size, 1)), np.clip(humid + moved, 0.0, 100.0))
        expected = _WEIGHTS @ water.condensed_at_set_g_m2.reshape(moved.shape)
        answer: Quantity = as_given(expected.reshape(shape))
        return answer

    as_it_is: dict[str, Any] = {
        each.name: as_given(getattr(found, each.name)[: one.size].reshape(shape))
        for each in fields(FilmFloor)
    }
    return BlushRisk(
        probability=as_given(_below(-margin, spread).reshape(shape)),
        blush_margin_k=as_given(margin.reshape(shape)),
        blush_margin_sd_k=as_given(spread.reshape(shape)),
        film=FilmFloor(**as_it_is),
        _caught=caught,
    )


def _below(value: FloatArray, spread: FloatArray) -> FloatArray:
    """Normal probability below `value`; a step where there is no spread."""
    from scipy.special import ndtr

    z = np.divide(value, spread, out=np.where(value > 0.0, 40.0, -40.0), where=spread > 0.0)
    return np.asarray(ndtr(z))
