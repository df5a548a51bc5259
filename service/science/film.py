"""The evaporating wet film: how cold it gets, what water it takes up, when it sets, the blush risk.

`simulate` is the full model, for one film; `floor` the fast form of the same physics, for numbers
or arrays; `blush_risk` adds what is not known exactly, `haze_dew_point` tells from which air on
water stays in it undissolved. The balances behind them are in `course` and `fast` (time), `liquid`
and `unifac` (activities), `transfer` (to the air), `plate` (to the wood) and `droplets` (on the way
to the work).

Assumed throughout: the film is mixed through its depth; it lies on one plate with an adiabatic
back; the air over it is not filled with its vapour; the surroundings radiate at the temperature of
the air; mixing gives no heat; water stays liquid below 0 °C. The slow drying after the film has set
belongs to `drying`.
"""

from service.science._checks import Quantity
from service.science.blend import METHODS, Blend, Method
from service.science.blush import MODEL_SD_K, BlushRisk, blush_risk
from service.science.haze import HAZE_G_M2, haze_dew_point
from service.science.wet_film import (
    AIR_MAX_C,
    AIR_MIN_C,
    DEFAULT_RETARDER,
    DEFAULT_WOOD,
    PLATE_MAX_MM,
    PRESSURE_MAX_PA,
    PRESSURE_MIN_PA,
    WET_MAX_UM,
    WET_MIN_UM,
    FilmCourse,
    FilmFloor,
    floor,
    simulate,
)

__all__ = [
    "AIR_MAX_C",
    "AIR_MIN_C",
    "DEFAULT_RETARDER",
    "DEFAULT_WOOD",
    "HAZE_G_M2",
    "METHODS",
    "MODEL_SD_K",
    "PLATE_MAX_MM",
    "PRESSURE_MAX_PA",
    "PRESSURE_MIN_PA",
    "WET_MAX_UM",
    "WET_MIN_UM",
    "Blend",
    "BlushRisk",
    "FilmCourse",
    "FilmFloor",
    "Method",
    "Quantity",
    "blush_risk",
    "floor",
    "haze_dew_point",
    "simulate",
]
