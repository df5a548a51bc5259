"""What a sensor makes of the air: an error of its own that stays, a little noise, rounding."""

from __future__ import annotations

import numpy as np

from sensors.booth import Air

__all__ = ["Probe"]

AIR_ERROR_K = 0.2
RH_ERROR_PCT = 1.5
AIR_NOISE_K = 0.03
RH_NOISE_PCT = 0.2


class Probe:
    """One sensor: errors within ±0.2 K and ±1.5 % RH that stay, by seed, and noise on top.

    The figures are those of a good small digital sensor (from memory).
    """

    def __init__(self, seed: int) -> None:
        self._random = np.random.default_rng(seed)
        self._air_error_k, self._surface_error_k = self._random.uniform(
            -AIR_ERROR_K, AIR_ERROR_K, 2
        )
        self._rh_error_pct = self._random.uniform(-RH_ERROR_PCT, RH_ERROR_PCT)

    def read(self, air: Air) -> Air:
        """Return what the sensor reports of this air."""
        noise = self._random.standard_normal(3)
        rh_pct = air.rh_pct + self._rh_error_pct + RH_NOISE_PCT * noise[1]
        return Air(
            air_c=round(float(air.air_c + self._air_error_k + AIR_NOISE_K * noise[0]), 2),
            rh_pct=round(float(min(max(rh_pct, 0.0), 100.0)), 1),
            surface_c=round(
                float(air.surface_c + self._surface_error_k + AIR_NOISE_K * noise[2]), 2
            ),
            pressure_pa=round(air.pressure_pa, 0),
        )
