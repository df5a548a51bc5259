"""How sure a dew point or a margin is, given how sure the sensor is.

First-order propagation (JCGM 100:2008, the GUM, 5.1.2) of independent standard deviations of air
temperature and RH. It holds where the dew point is nearly straight over the sensor's spread, which
is from about 10 % RH up: there it agrees with Monte Carlo within 5 %. Outside it is kept cautious,
that is, large:

* Near 0 % RH the dew point bends sharply. The upward reach, dew point at `rh_pct` plus one standard
  deviation less that at `rh_pct`, is the one that takes margins away; where the slope is no longer
  meaningful that reach is the least answer given.
* Near 100 % RH a reading's error can only be downwards in truth, since air does not hold more than
  100 %. First-order spread ignores this and so overstates how high the dew point may be. What a
  sensor itself does up there (capacitive ones drift and stick) is not in it: give a larger
  `rh_sd_pct`.

Arguments: `air_c` -40 to 60 °C, `rh_pct` 0 to 100 %, `air_sd_k` and `surface_sd_k` 0 to 20 K,
`rh_sd_pct` 0 to 50 %; scalars or arrays. Out of range or NaN raises ValueError naming the argument.
"""

from __future__ import annotations

import numpy as np

from service.science import _saturation
from service.science._checks import (
    FloatArray,
    Quantity,
    air_temperature,
    as_given,
    humidity,
    within,
)

__all__ = ["dew_point_sd", "margin_sd"]


def _spread(sd: Quantity | float, name: str) -> FloatArray:
    return within(name, sd, 0.0, 20.0, "K")


def _dew_point_slopes(
    air_c: Quantity | float, rh_pct: Quantity | float, rh_sd_pct: Quantity | float
) -> tuple[FloatArray, FloatArray]:
    """Change of the dew point per K of air, and its change, K, for one sd of RH."""
    air = air_temperature(air_c)
    rh = humidity(rh_pct)
    rh_sd = within("rh_sd_pct", rh_sd_pct, 0.0, 50.0, "%")
    air, rh, rh_sd = np.broadcast_arrays(air, rh, rh_sd)
    dew = _saturation.dew_point(air, rh)
    slope = _saturation.log_slope(dew)
    # No slope is taken closer to dry than one sd: the truth is hardly there.
    steepest_rh = np.maximum(np.maximum(rh, rh_sd), 1e-6)
    by_rh = rh_sd / (steepest_rh * slope)
    reach = _saturation.dew_point(air, np.minimum(rh + rh_sd, 100.0)) - dew
    return _saturation.log_slope(air) / slope, np.maximum(by_rh, reach)


def dew_point_sd(
    air_c: Quantity | float,
    rh_pct: Quantity | float,
    air_sd_k: Quantity | float,
    rh_sd_pct: Quantity | float,
) -> Quantity:
    """Standard deviation of the dew point, K, from those of the sensor.

    With ps the saturation pressure and Td the dew point, dTd/dT = (ln ps)'(T) / (ln ps)'(Td) and
    dTd/dRH = 1 / (RH (ln ps)'(Td)).
    """
    by_air, by_rh = _dew_point_slopes(air_c, rh_pct, rh_sd_pct)
    sd = np.hypot(by_air * _spread(air_sd_k, "air_sd_k"), by_rh)
    return as_given(sd, air_c, rh_pct, air_sd_k, rh_sd_pct)


def margin_sd(
    air_c: Quantity | float,
    rh_pct: Quantity | float,
    air_sd_k: Quantity | float,
    rh_sd_pct: Quantity | float,
    surface_sd_k: Quantity | float | None = None,
) -> Quantity:
    """Standard deviation, K, of a surface's temperature less the dew point.

    Parameters
    ----------
    surface_sd_k
        Of a surface measured by itself, its error independent of the air sensor's. None: the
        surface is taken to be as warm as the air, and the one error is in both: it cancels in part.
    """
    by_air, by_rh = _dew_point_slopes(air_c, rh_pct, rh_sd_pct)
    air_sd = _spread(air_sd_k, "air_sd_k")
    if surface_sd_k is None:
        sd = np.hypot((1.0 - by_air) * air_sd, by_rh)
        return as_given(sd, air_c, rh_pct, air_sd_k, rh_sd_pct)
    surface_sd = _spread(surface_sd_k, "surface_sd_k")
    sd = np.hypot(np.hypot(by_air * air_sd, by_rh), surface_sd)
    return as_given(sd, air_c, rh_pct, air_sd_k, rh_sd_pct, surface_sd_k)
