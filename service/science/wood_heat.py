"""Heat in wood: conductivity across the grain, heat capacity, density.

Source: USDA Wood Handbook, FPL-GTR-190 (2010), chapter 4. Moisture content is percent of the
oven-dry mass. Scalars or arrays; out of range or NaN raises ValueError naming the argument.
"""

from __future__ import annotations

import numpy as np

from service.science._checks import Quantity, as_given, within
from service.science.constants import ZERO_CELSIUS_K

__all__ = ["conductivity", "density", "heat_capacity"]


def conductivity(specific_gravity: Quantity | float, moisture_pct: Quantity | float) -> Quantity:
    """Thermal conductivity across the grain, W/(m K), near 24 °C; eq. (4-15).

    `specific_gravity` (oven-dry mass over volume at that moisture) 0.3 to 1.1 and `moisture_pct` 0
    to 25 %; real boards lie within 20 %. Along the grain it is 1.5 to 2.8 times as much.
    """
    gravity = within("specific_gravity", specific_gravity, 0.3, 1.1)
    moisture = within("moisture_pct", moisture_pct, 0.0, 25.0, "%")
    answer = gravity * (0.1941 + 0.004064 * moisture) + 0.01864
    return as_given(answer, specific_gravity, moisture_pct)


def heat_capacity(moisture_pct: Quantity | float, wood_c: Quantity | float) -> Quantity:
    """Specific heat, J/(kg K), of moist wood of any species; eq. (4-16) to (4-18).

    `moisture_pct` 0 to 26 %, `wood_c` 7 to 147 °C, the equation's range.
    """
    moisture = within("moisture_pct", moisture_pct, 0.0, 26.0, "%")
    kelvin = within("wood_c", wood_c, 6.85, 146.85, "°C") + ZERO_CELSIUS_K
    dry = 0.1031 + 0.003867 * kelvin
    bound = moisture * (-0.06191 + 2.36e-4 * kelvin - 1.33e-4 * moisture)
    answer = (dry + 4.18 * moisture / 100.0) / (1.0 + moisture / 100.0) + bound
    return as_given(np.asarray(1000.0 * answer), moisture_pct, wood_c)


def density(specific_gravity: Quantity | float, moisture_pct: Quantity | float) -> Quantity:
    """Density, kg/m³, of wood with its moisture; eq. (4-9): 1000 G (1 + M/100).

    `specific_gravity` (oven-dry mass over volume at that moisture) 0.1 to 1.5, `moisture_pct` 0 to
    200 %.
    """
    gravity = within("specific_gravity", specific_gravity, 0.1, 1.5)
    moisture = within("moisture_pct", moisture_pct, 0.0, 200.0, "%")
    return as_given(1000.0 * gravity * (1.0 + moisture / 100.0), specific_gravity, moisture_pct)
