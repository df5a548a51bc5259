"""One forecast out of many, weighted by how each has done here lately."""

from __future__ import annotations

import numpy as np

from service.shop.outlook.candidates import NAMES, SIMPLE
from service.shop.outlook.history import Floats
from service.shop.outlook.learned import day_products

__all__ = ["TARGETS", "blended", "errors_of", "weights_by_day", "with_margin"]

TARGETS = ("air_c", "dew_point_c", "margin_k")

WINDOW_DAYS = 90
TRUSTED_ROWS = 7 * 24
"""Until every candidate has been scored this often, the damped anomaly stands alone."""

LEANING = 0.02
LEANING_ROWS = 100.0
"""Pull of the weights towards an even share of the learned candidates, and the scores at which it
is one more (chosen on development stations)."""

HOPELESS = 9.0
"""A candidate whose mean square error is so many times the best one's has no weight."""

STEPS, STEP = 100, 1.2


def with_margin(values: Floats) -> Floats:
    """Air and dew point (..., 2) with the margin between them (..., 3)."""
    return np.concatenate([values, values[..., :1] - values[..., 1:2]], axis=-1)


def errors_of(points: Floats, target: Floats) -> Floats:
    """Errors (rows, candidates, 3): what was seen less what was forecast."""
    return with_margin(target)[:, None, :] - with_margin(points)


def weights_by_day(points: Floats, target: Floats, horizon_h: int) -> Floats:
    """Weights (days + 1, 3, candidates) that the errors known by each day recommend.

    They are at least zero, add up to one, and make the blend's mean squared error over the last
    ``WINDOW_DAYS`` smallest, pulled a little towards an even share of the learned candidates.
    """
    error = errors_of(points, target)
    whole = np.asarray(np.isfinite(error).all(axis=(1, 2)))
    error = np.where(whole[:, None, None], error, 0.0)
    scored = whole.astype(np.float64)[:, None]
    count = day_products(scored, scored, horizon_h, WINDOW_DAYS)[:, 0, 0]
    products = np.stack(
        [
            day_products(error[:, :, q], error[:, :, q], horizon_h, WINDOW_DAYS)
            for q in range(len(TARGETS))
        ],
        axis=1,
    )
    out = _simplex(products / np.maximum(count, 1.0)[:, None, None, None], count)
    alone = np.zeros(points.shape[1])
    alone[NAMES.index("damped")] = 1.0
    out[count < TRUSTED_ROWS] = alone
    return out


def _simplex(square: Floats, count: Floats) -> Floats:
    """Minimise ``w' S w`` over the simplex, with the pull, by multiplicative steps."""
    learned = square.shape[-1] - len(SIMPLE) + 1
    even = np.zeros(square.shape[-1])
    even[len(SIMPLE) - 1 :] = 1.0 / learned
    size = np.min(np.diagonal(square, axis1=-2, axis2=-1), axis=-1) + 1e-9
    scaled = square / size[..., None, None]
    pull = (LEANING + LEANING_ROWS / np.maximum(count, 1.0))[:, None, None]
    worth = np.diagonal(scaled, axis1=-2, axis2=-1) <= HOPELESS
    weights = worth / np.maximum(worth.sum(axis=-1, keepdims=True), 1)
    for _ in range(STEPS):
        slope = (scaled @ weights[..., None])[..., 0] + pull * (weights - even)
        slope -= slope.min(axis=-1, keepdims=True)
        weights = weights * np.exp(-STEP * np.minimum(slope, 20.0))
        weights /= weights.sum(axis=-1, keepdims=True)
    return np.asarray(weights)


def blended(points: Floats, weights: Floats) -> Floats:
    """Blend (rows, 3) of candidates (rows, candidates, 2) by weights (rows, 3, candidates).

    A candidate that could not be made is left out, the others taking its share.
    """
    values = with_margin(points).transpose(0, 2, 1)
    made = np.isfinite(values)
    share = np.where(made, weights, 0.0)
    total = share.sum(axis=-1)
    sums = (share * np.nan_to_num(values)).sum(axis=-1)
    return np.asarray(np.divide(sums, total, out=np.full_like(sums, np.nan), where=total > 1e-6))
