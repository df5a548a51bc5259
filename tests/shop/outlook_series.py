"""Series of air whose law is known: a daily course and anomalies that fade."""

from __future__ import annotations

import numpy as np

from service.shop.outlook import AirHistory

START_S = 1_700_006_400.0  # a midnight UTC
FADING = 0.9
SD_K = 2.0


def hours_of(days: float) -> np.ndarray:
    return np.arange(int(days * 24) + 1, dtype=np.float64)


def usual_air_c(hour: np.ndarray) -> np.ndarray:
    return 18.0 + 4.0 * np.cos(2 * np.pi * (hour - 15.0) / 24.0)


def fading_noise(count: int, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    out = np.empty(count)
    out[0] = SD_K * rng.standard_normal()
    step = SD_K * np.sqrt(1 - FADING**2)
    for i in range(1, count):
        out[i] = FADING * out[i - 1] + step * rng.standard_normal()
    return out


def known_series(days: float, seed: int = 1, breaks_s: tuple[float, ...] = ()) -> AirHistory:
    """Air of the known law; the dew point has one too, far below it."""
    hour = hours_of(days)
    air = usual_air_c(hour) + fading_noise(hour.size, seed)
    dew = -2.0 + fading_noise(hour.size, seed + 1000)
    return AirHistory(START_S + 3600.0 * hour, air, np.minimum(dew, air), None, breaks_s)
