"""Past the outlook's reach: the daily course, and how the air here wanders about it."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from service.shop.outlook.bridge import fading_of
from service.shop.outlook.features import Design
from service.shop.outlook.history import Floats

__all__ = ["Usual", "further", "usual_of", "within_reach"]

WIDER = 1.5
"""Anomalies to come over those seen, at most (assumed)."""

LEAST_SD_K = 0.5
"""No place is steadier than this (assumed)."""


@dataclass(frozen=True)
class Usual:
    """How anomalies of air and margin fade, spread and go together here; arrays are (2,).

    ``fading_h`` is a time constant, ``sd_k`` the standard deviation [K], ``together`` a
    correlation; ``dew_sd_k`` the standard deviation of the dew point.
    """

    fading_h: Floats
    sd_k: Floats
    together: float
    dew_sd_k: float


def usual_of(made: Design) -> Usual:
    """Learn the wandering from a grid's anomalies."""
    seen = np.where(made.grid.seen[:, None], made.anomaly, np.nan)
    apart = np.column_stack([seen[:, 0], seen[:, 0] - seen[:, 1]])
    fits = [fading_of(apart[:, v]) for v in (0, 1)]
    whole = apart[np.isfinite(apart).all(axis=1)]
    spread = whole.std(axis=0) if whole.shape[0] > 1 else np.zeros(2)
    together = float(np.corrcoef(whole.T)[0, 1]) if np.all(spread > 1e-6) else 0.0
    return Usual(
        np.array([f for f, _ in fits]),
        np.array([sd for _, sd in fits]),
        together,
        fading_of(seen[:, 1])[1],
    )


def within_reach(quantiles: Floats, usual: Usual, levels: Floats) -> Floats:
    """Hold quantiles (..., 3, levels) of air, dew point and margin to what the place has shown.

    A short history has few errors to learn a spread from, and may have learned too large a one; but
    no forecast is surer to miss than the daily course alone, which misses by the anomalies. They
    are taken somewhat wider than seen, for a few weeks do not show all. And the dew point is never
    above the air.
    """
    sd = np.maximum(WIDER * np.array([usual.sd_k[0], usual.dew_sd_k, usual.sd_k[1]]), LEAST_SD_K)
    reach = sd[:, None] * np.abs([NormalDist().inv_cdf(level) for level in levels])
    middle = np.median(quantiles, axis=-1, keepdims=True)
    held = middle + np.clip(quantiles - middle, -reach, reach)
    held[..., 2, :] = np.maximum(held[..., 2, :], 0.0)
    held[..., 1, :] = np.minimum(held[..., 1, :], held[..., 0, :])
    return np.asarray(held)


def further(last: Floats, usual: Usual, course: Floats, hours: int, seed: int) -> Floats:
    """Carry courses on, by the hour: (paths, hours, 2) of air and margin.

    Parameters
    ----------
    last : array (paths, 2)
        Air [°C] and margin [K] that the courses end with.
    course : array (24, 2)
        Air and dew point of the daily course [°C] at the 24 hours up to where they end, the last
        of them at the same hour of the day.
    hours, seed : int
        How far; the same seed draws the same.

    Notes
    -----
    Anomalies are taken as two Ornstein-Uhlenbeck processes with correlated steps.
    """
    usually = np.column_stack([course[:, 0], course[:, 0] - course[:, 1]])
    keep = np.exp(-1.0 / usual.fading_h)
    step = usual.sd_k * np.sqrt(1.0 - keep**2)
    noise = np.random.default_rng(seed + 1).standard_normal((hours, last.shape[0], 2))
    noise[..., 1] = (
        usual.together * noise[..., 0] + np.sqrt(1.0 - usual.together**2) * noise[..., 1]
    )
    out = np.empty((last.shape[0], hours, 2))
    apart = last - usually[-1]
    for hour in range(hours):
        apart = keep * apart + step * noise[hour]
        out[:, hour] = usually[hour % 24] + apart
    return out
