"""A sensor in a closed jar over a saturated salt, simulated: what a salt check has to cope with.

Truth is taken from Greenspan's table (1977, Table 2, at 20 and 25 °C) and the saturation pressure
from the Magnus form of WMO-No. 8, so that nothing here shares a line with what it is to judge.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["GREENSPAN", "ROOM_PCT", "JarCourse", "SaltJar", "salt_rh"]

Floats = NDArray[np.float64]

GREENSPAN = {"sodium chloride": (75.47, 75.29), "magnesium chloride": (33.07, 32.78)}
"""% RH over the saturated solution at 20 and 25 °C."""

ROOM_PCT = 50.0
"""Where the sensor comes from."""

LAG_H = 0.5
"""The solution follows the jar's temperature so much later (assumed, for half a litre)."""

AIR_NOISE_K = 0.03
HOUR_S = 3600.0


def salt_rh(salt: str, air_c: Floats) -> Floats:
    """Humidity over a salt [% RH], straight between 20 and 25 °C: within 0.02 % of the curve."""
    at_20, at_25 = GREENSPAN[salt]
    return at_20 + (air_c - 20.0) / 5.0 * (at_25 - at_20)


@dataclass(frozen=True)
class JarCourse:
    """Arrays of one length: instants [s], humidity and temperature as read, truth over the salt."""

    time_s: Floats
    rh_pct: Floats
    air_c: Floats
    truth_pct: Floats


@dataclass(frozen=True)
class SaltJar:
    """What a jar and its sensor are like.

    Attributes
    ----------
    tau_min, share : tuple of float
        Time constants of the decays [min] and the part of the way that each makes up.
    noise_pct, digit_pct : float
        Standard deviation of a reading, and its last digit (0: none) [% RH].
    every_s : float
        Between readings.
    start_c, drift_k_h : float
        Temperature at the start [°C], and how it drifts [K/h].
    """

    salt: str = "sodium chloride"
    tau_min: tuple[float, ...] = (20.0,)
    share: tuple[float, ...] = (1.0,)
    noise_pct: float = 0.1
    every_s: float = 60.0
    digit_pct: float = 0.0
    start_c: float = 22.0
    drift_k_h: float = 0.0
    hours: float = 24.0
    seed: int = 1

    def course(self) -> JarCourse:
        """Simulate the jar from the moment it is closed."""
        rng = np.random.default_rng(self.seed)
        time_s = np.arange(0.0, self.hours * HOUR_S, self.every_s)
        hours = time_s / HOUR_S
        air_c = self.start_c + self.drift_k_h * hours
        solution_c = air_c - self.drift_k_h * LAG_H * (1.0 - np.exp(-hours / LAG_H))
        end = salt_rh(self.salt, solution_c) * _magnus(solution_c) / _magnus(air_c)
        decay = np.zeros_like(time_s)
        for share, tau in zip(self.share, self.tau_min, strict=True):
            decay += share * np.exp(-time_s / (60.0 * tau))
        rh = end + (ROOM_PCT - end[0]) * decay + rng.normal(0.0, self.noise_pct, time_s.size)
        if self.digit_pct:
            rh = np.round(rh / self.digit_pct) * self.digit_pct
        said_c = air_c + rng.normal(0.0, AIR_NOISE_K, time_s.size)
        return JarCourse(time_s, rh, said_c, salt_rh(self.salt, air_c))


def _magnus(air_c: Floats) -> Floats:
    pressure: Floats = np.exp(17.62 * air_c / (243.12 + air_c))
    return pressure
