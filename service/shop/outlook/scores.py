"""How good a probabilistic forecast was.

References
----------
Gneiting and Raftery (2007), Strictly proper scoring rules, prediction, and estimation, JASA 102.
Brier (1950), Verification of forecasts expressed in terms of probability.
"""

from __future__ import annotations

import numpy as np

from service.shop.outlook.history import Floats

__all__ = ["brier", "crps_ensemble", "crps_weighted", "pinball", "residual_crps"]


def crps_ensemble(members: Floats, observed: Floats) -> Floats:
    """Continuous ranked probability score of equally likely members, by their empirical CDF.

    Parameters
    ----------
    members : array (..., m)
        In any order, in the unit of the observation.
    observed : array (...)

    Returns
    -------
    array (...)
        In the unit of the observation; 0 is perfect.
    """
    ordered = np.sort(np.asarray(members, dtype=np.float64), axis=-1)
    seen = np.asarray(observed, dtype=np.float64)[..., None]
    count = ordered.shape[-1]
    rank = np.arange(1, count + 1, dtype=np.float64)
    terms = (ordered - seen) * (count * (seen < ordered) - rank + 0.5)
    return np.asarray(2.0 / count**2 * terms.sum(axis=-1))


def crps_weighted(members: Floats, weights: Floats, observed: float) -> float:
    """Continuous ranked probability score of members (m,) with weights (m,) that are not equal."""
    share = np.asarray(weights, dtype=np.float64) / np.sum(weights)
    values = np.asarray(members, dtype=np.float64)
    apart = np.abs(values[:, None] - values[None, :])
    return float(share @ np.abs(values - observed) - 0.5 * share @ apart @ share)


def pinball(level: float, quantile: Floats, observed: Floats) -> Floats:
    """Quantile loss at a level between 0 and 1: ``(1{obs <= q} - level) (q - obs)``."""
    quantile, observed = np.asarray(quantile, dtype=float), np.asarray(observed, dtype=float)
    return np.asarray(((observed <= quantile) - level) * (quantile - observed))


def residual_crps(errors: Floats) -> Floats:
    """Mean score that a point forecast has when dressed with its own errors (m, ...) along axis 0.

    Half the mean absolute difference of two errors (Gini); NaN errors are passed over.
    """
    ordered = np.sort(errors, axis=0)
    count = np.sum(np.isfinite(ordered), axis=0)
    rank = np.arange(1, ordered.shape[0] + 1, dtype=np.float64)
    rank = rank.reshape(-1, *([1] * (ordered.ndim - 1)))
    spread = np.nansum((2.0 * rank - count - 1.0) * ordered, axis=0)
    return np.asarray(spread / np.maximum(count, 1) ** 2)


def brier(probability: Floats, happened: Floats) -> float:
    """Mean squared distance of probabilities from what happened (0 or 1)."""
    return float(np.mean((np.asarray(probability) - np.asarray(happened)) ** 2))
