"""How good a probabilistic forecast was.

References
----------
Gneiting and Raftery (2007), Strictly proper scoring rules, prediction, and estimation, JASA 102.
Brier (1950), Verification of forecasts expressed in terms of probability.
"""

from __future__ import annotations

import numpy as np

from service.shop.outlook.history import Floats

__all__ = ["brier", "crps_ensemble", "pinball"]


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

    Notes
    -----
    Twice the mean quantile loss of the ordered members at the middles of equal parts of (0, 1),
    which is the integral of the squared distance of the two distribution functions.
    """
    ordered = np.sort(np.asarray(members, dtype=np.float64), axis=-1)
    count = ordered.shape[-1]
    levels = (np.arange(count) + 0.5) / count
    seen = np.asarray(observed, dtype=np.float64)[..., None]
    return np.asarray(2.0 * pinball(levels, ordered, seen).mean(axis=-1))


def pinball(level: Floats | float, quantile: Floats, observed: Floats) -> Floats:
    """Quantile loss at a level between 0 and 1: ``(1{obs <= q} - level) (q - obs)``."""
    quantile, observed = np.asarray(quantile, dtype=float), np.asarray(observed, dtype=float)
    return np.asarray(((observed <= quantile) - level) * (quantile - observed))


def brier(probability: Floats, happened: Floats) -> float:
    """Mean squared distance of probabilities from what happened (0 or 1)."""
    return float(np.mean((np.asarray(probability) - np.asarray(happened)) ** 2))
