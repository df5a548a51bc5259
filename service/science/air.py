"""Moist air: saturation, dew point, wet bulb, humidity ratio and what follows from them.

Source, where nothing else is named: ASHRAE Handbook - Fundamentals 2017, chapter 1
(psychrometrics), with air and vapour as ideal gases. Against real moist air that reads about 0.5 %
low in humidity ratio; dew points differ by less than 0.02 K.

Every function takes scalars or NumPy arrays, which broadcast, and answers in kind: a float for
scalars, an array otherwise. Units and valid ranges, the same everywhere:

=================  ========  ====================================================================
argument           unit      range
=================  ========  ====================================================================
air_c              °C        -40 to 60
rh_pct             %         0 to 100; over ice below 0 °C, over liquid water above
pressure_pa        Pa        50,000 to 110,000 (up to about 5,500 m of altitude)
w                  kg/kg     humidity ratio, water per mass of *dry* air: 0 to 0.5
=================  ========  ====================================================================

A value out of range, NaN or not a number raises ValueError naming the argument.

Capacitive sensors report RH over liquid water below 0 °C too, as the WMO asks; there the handbook's
RH, over ice, reads higher for the same air (by a tenth at -10 °C).
"""

from __future__ import annotations

import numpy as np

from service.science import _saturation, _wet_bulb
from service.science._checks import (
    FloatArray,
    Quantity,
    air_pressure,
    air_temperature,
    as_given,
    humidity,
    within,
)
from service.science._mixing import ratio_of, vapour_of
from service.science._saturation import LOWEST_DEW_POINT_C
from service.science.constants import (
    DRY_AIR_GAS_CONSTANT,
    STANDARD_PRESSURE_PA,
    VAPOUR_GAS_CONSTANT,
    WATER_TO_AIR_MOLAR_RATIO,
    ZERO_CELSIUS_K,
)

__all__ = [
    "LOWEST_DEW_POINT_C",
    "STANDARD_PRESSURE_PA",
    "absolute_humidity",
    "density",
    "dew_point",
    "dew_point_of_ratio",
    "enthalpy",
    "humidity_ratio",
    "humidity_ratio_at_wet_bulb",
    "pressure_at_altitude",
    "relative_humidity",
    "rh_after_warming",
    "rh_at_dew_point",
    "saturation_pressure",
    "vapour_pressure",
    "vapour_pressure_deficit",
    "warming_to_rh",
    "water_above_dew_point",
    "water_above_rh",
    "wet_bulb",
]

_HIGHEST_VAPOUR_PA = float(_saturation.pressure(np.asarray(60.0)))


def _vapour(air_c: Quantity | float, rh_pct: Quantity | float) -> FloatArray:
    return np.asarray(humidity(rh_pct) / 100.0 * _saturation.pressure(air_temperature(air_c)))


def _ratio(w: Quantity | float) -> FloatArray:
    return within("w", w, 0.0, 0.5, "kg/kg")


def saturation_pressure(air_c: Quantity) -> Quantity:
    """Saturation pressure of water vapour, Pa; eq. (5) over ice, eq. (6) over water.

    The curve changes from ice to water at the triple point, 0.01 °C, where the two equations
    meet, so that it is continuous and rises everywhere.
    """
    return as_given(_saturation.pressure(air_temperature(air_c)), air_c)


def vapour_pressure(air_c: Quantity | float, rh_pct: Quantity | float) -> Quantity:
    """Partial pressure of the water vapour, Pa; eq. (12)."""
    return as_given(_vapour(air_c, rh_pct), air_c, rh_pct)


def vapour_pressure_deficit(air_c: Quantity | float, rh_pct: Quantity | float) -> Quantity:
    """Saturation pressure less vapour pressure, Pa."""
    dryness = 1.0 - humidity(rh_pct) / 100.0
    return as_given(dryness * _saturation.pressure(air_temperature(air_c)), air_c, rh_pct)


def dew_point(air_c: Quantity | float, rh_pct: Quantity | float) -> Quantity:
    """Dew point, °C: where the air would be saturated; frost point below 0 °C.

    Inverts the saturation pressure to better than 1e-6 K; continuous and rising in both arguments,
    and never above the air temperature. Bone-dry air has no dew point: for `rh_pct` = 0, and
    wherever the frost point would be below -100 °C (the end of the ice equation; at 20 °C that is
    6e-5 % RH), the answer is `LOWEST_DEW_POINT_C` = -100 °C, which keeps margins finite and in
    order. An RH of exactly 0 from a sensor is more often a fault than air.
    """
    return as_given(_saturation.dew_point(air_temperature(air_c), humidity(rh_pct)), air_c, rh_pct)


def rh_at_dew_point(air_c: Quantity | float, dew_point_c: Quantity | float) -> Quantity:
    """Relative humidity, %, at `air_c` of air with this dew point.

    `dew_point_c`: -100 to 60 °C. Above the air temperature the answer exceeds 100: such air cannot
    be, it condenses. With a surface temperature for `air_c`, this is the RH at that surface.
    """
    dew = within("dew_point_c", dew_point_c, LOWEST_DEW_POINT_C, 60.0, "°C")
    ratio = _saturation.pressure(dew) / _saturation.pressure(air_temperature(air_c))
    return as_given(100.0 * ratio, air_c, dew_point_c)


def humidity_ratio(
    air_c: Quantity | float,
    rh_pct: Quantity | float,
    pressure_pa: Quantity | float = STANDARD_PRESSURE_PA,
) -> Quantity:
    """Humidity ratio, kg of water per kg of dry air; eq. (20)."""
    vapour = _vapour(air_c, rh_pct)
    return as_given(ratio_of(vapour, air_pressure(pressure_pa)), air_c, rh_pct, pressure_pa)


def relative_humidity(
    air_c: Quantity | float,
    w: Quantity | float,
    pressure_pa: Quantity | float = STANDARD_PRESSURE_PA,
) -> Quantity:
    """Relative humidity, %, from the humidity ratio; eq. (20) and (12) turned round.

    Above 100 where the air cannot hold that much water: the excess condenses.
    """
    vapour = vapour_of(_ratio(w), air_pressure(pressure_pa))
    return as_given(
        100.0 * vapour / _saturation.pressure(air_temperature(air_c)), air_c, w, pressure_pa
    )


def dew_point_of_ratio(
    w: Quantity | float, pressure_pa: Quantity | float = STANDARD_PRESSURE_PA
) -> Quantity:
    """Dew or frost point, °C, of air with this humidity ratio, whatever its temperature.

    `w` up to the saturated air of 60 °C; -100 °C for bone-dry air, as in `dew_point`.
    """
    vapour = vapour_of(_ratio(w), air_pressure(pressure_pa))
    if vapour.size and vapour.max() > _HIGHEST_VAPOUR_PA:
        msg = "w must not exceed that of saturated air at 60 °C, the end of the range"
        raise ValueError(msg)
    return as_given(_saturation.temperature(vapour), w, pressure_pa)


def absolute_humidity(air_c: Quantity | float, rh_pct: Quantity | float) -> Quantity:
    """Density of the water vapour, kg/m³, by the ideal-gas law."""
    air = air_temperature(air_c)
    density_kg_m3 = _vapour(air_c, rh_pct) / (VAPOUR_GAS_CONSTANT * (air + ZERO_CELSIUS_K))
    return as_given(density_kg_m3, air_c, rh_pct)


def enthalpy(air_c: Quantity | float, w: Quantity | float) -> Quantity:
    """Specific enthalpy, J per kg of dry air, from 0 for dry air at 0 °C; eq. (30)."""
    air = air_temperature(air_c)
    return as_given(1006.0 * air + _ratio(w) * (2.501e6 + 1860.0 * air), air_c, w)


def density(
    air_c: Quantity | float,
    w: Quantity | float,
    pressure_pa: Quantity | float = STANDARD_PRESSURE_PA,
) -> Quantity:
    """Density of the moist air, kg/m³; eq. (26) and (28)."""
    ratio = _ratio(w)
    kelvin = air_temperature(air_c) + ZERO_CELSIUS_K
    volume = DRY_AIR_GAS_CONSTANT * kelvin * (1.0 + ratio / WATER_TO_AIR_MOLAR_RATIO)
    return as_given((1.0 + ratio) * air_pressure(pressure_pa) / volume, air_c, w, pressure_pa)


def pressure_at_altitude(altitude_m: Quantity) -> Quantity:
    """Pressure of the standard atmosphere, Pa, at -500 to 5,000 m of altitude; eq. (3).

    The weather moves the true pressure by some 3 % about this.
    """
    altitude = within("altitude_m", altitude_m, -500.0, 5000.0, "m")
    return as_given(STANDARD_PRESSURE_PA * (1.0 - 2.25577e-5 * altitude) ** 5.2559, altitude_m)


def wet_bulb(
    air_c: Quantity | float,
    rh_pct: Quantity | float,
    pressure_pa: Quantity | float = STANDARD_PRESSURE_PA,
) -> Quantity:
    """Thermodynamic wet-bulb temperature, °C; eq. (33), below 0 °C the ice bulb of eq. (35).

    Solved to 1e-9 K. About 0 °C a wet and an iced bulb can both be in balance; the iced one is
    given, so that the answer steps up, by up to a kelvin, where it crosses 0 °C.
    """
    air, pressure = air_temperature(air_c), air_pressure(pressure_pa)
    w = ratio_of(_vapour(air_c, rh_pct), pressure)
    return as_given(_wet_bulb.solve(air, w, pressure), air_c, rh_pct, pressure_pa)


def humidity_ratio_at_wet_bulb(
    air_c: Quantity | float,
    wet_bulb_c: Quantity | float,
    pressure_pa: Quantity | float = STANDARD_PRESSURE_PA,
) -> Quantity:
    """Humidity ratio, kg/kg, from dry and wet bulb; eq. (33) and (35), the psychrometer.

    `wet_bulb_c`: -40 to 60 °C, not above `air_c` and not below the wet bulb of bone-dry air:
    ValueError otherwise.
    """
    air, bulb = air_temperature(air_c), within("wet_bulb_c", wet_bulb_c, -40.0, 60.0, "°C")
    ratio = _wet_bulb.ratio_at(air, bulb, air_pressure(pressure_pa))
    if np.any(bulb > air):
        msg = "wet_bulb_c must not exceed air_c"
        raise ValueError(msg)
    if np.any(ratio < -1e-9):
        msg = "wet_bulb_c is below the wet bulb of bone-dry air at this air_c"
        raise ValueError(msg)
    return as_given(np.maximum(ratio, 0.0), air_c, wet_bulb_c, pressure_pa)


def rh_after_warming(
    air_c: Quantity | float, rh_pct: Quantity | float, warming_k: Quantity | float
) -> Quantity:
    """Relative humidity, %, of the same air once warmed by `warming_k` (negative: cooled).

    No water is added or taken; pressure stays. The new temperature must lie in -40 to 60 °C. Above
    100 where cooling takes the air below its dew point: it condenses.
    """
    air = air_temperature(air_c)
    warmed = within("warming_k", warming_k, -100.0, 100.0, "K") + air
    within("air_c + warming_k", warmed, -40.0, 60.0, "°C")
    ratio = _saturation.pressure(air) / _saturation.pressure(warmed)
    return as_given(humidity(rh_pct) * ratio, air_c, rh_pct, warming_k)


def warming_to_rh(
    air_c: Quantity | float, rh_pct: Quantity | float, target_rh_pct: Quantity | float
) -> Quantity:
    """Warming, K, that brings the same air to `target_rh_pct` (negative: cooling).

    `target_rh_pct`: above 0, to 100. Raises ValueError where warming to 60 °C is not enough.
    """
    air = air_temperature(air_c)
    target = within("target_rh_pct", target_rh_pct, 1e-3, 100.0, "%")
    saturation = humidity(rh_pct) * _saturation.pressure(air) / target
    if saturation.size and saturation.max() > _HIGHEST_VAPOUR_PA:
        msg = "target_rh_pct cannot be reached by warming the air to 60 °C: take water out instead"
        raise ValueError(msg)
    return as_given(_saturation.temperature(saturation) - air, air_c, rh_pct, target_rh_pct)


def water_above_dew_point(
    air_c: Quantity | float,
    rh_pct: Quantity | float,
    target_dew_point_c: Quantity | float,
    pressure_pa: Quantity | float = STANDARD_PRESSURE_PA,
) -> Quantity:
    """Water to take out, kg per kg of dry air, for the dew point to fall to the target.

    `target_dew_point_c`: -100 to 60 °C. Negative where the air is drier than that already.
    """
    target = within("target_dew_point_c", target_dew_point_c, LOWEST_DEW_POINT_C, 60.0, "°C")
    pressure = air_pressure(pressure_pa)
    now = ratio_of(_vapour(air_c, rh_pct), pressure)
    then = ratio_of(_saturation.pressure(target), pressure)
    return as_given(now - then, air_c, rh_pct, target_dew_point_c, pressure_pa)


def water_above_rh(
    air_c: Quantity | float,
    rh_pct: Quantity | float,
    target_rh_pct: Quantity | float,
    pressure_pa: Quantity | float = STANDARD_PRESSURE_PA,
) -> Quantity:
    """Water to take out, kg per kg of dry air, for the RH to fall to the target.

    `target_rh_pct`: 0 to 100. Negative where the air is drier than that already.
    """
    saturated = _saturation.pressure(air_temperature(air_c))
    pressure = air_pressure(pressure_pa)
    now = ratio_of(humidity(rh_pct) / 100.0 * saturated, pressure)
    then = ratio_of(humidity(target_rh_pct, "target_rh_pct") / 100.0 * saturated, pressure)
    return as_given(now - then, air_c, rh_pct, target_rh_pct, pressure_pa)
