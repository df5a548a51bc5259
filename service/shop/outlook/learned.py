"""Sums over past hours that grow day by day, so that every day's fit knows nothing of the next.

Rows are told apart by the day in which their target came to be known; the sum up to a day is then
exactly what a fit at the end of that day may use.
"""

from __future__ import annotations

import numpy as np

from service.shop.outlook.history import Floats

__all__ = ["known_sums", "ridge"]


def known_sums(products: Floats, horizon_h: int, window_days: int) -> Floats:
    """Sums of per-row products over rows whose target was known at the start of each day.

    Parameters
    ----------
    products : array (rows, ...)
        Zero where a row may not be used.
    horizon_h : int
        Hours from a row to its target.
    window_days : int
        Days of targets kept.

    Returns
    -------
    array (days + 1, ...)
        Entry d: targets of hours before hour 24 d, no older than the window.
    """
    rows = products.shape[0]
    days = -(-rows // 24)
    by_target = np.zeros((days * 24, *products.shape[1:]))
    if horizon_h < rows:
        by_target[horizon_h:rows] = products[: rows - horizon_h]
    daily = by_target.reshape(days, 24, *products.shape[1:]).sum(axis=1)
    sums = np.concatenate([np.zeros((1, *daily.shape[1:])), np.cumsum(daily, axis=0)])
    out = sums.copy()
    if days > window_days:
        out[window_days:] -= sums[: days + 1 - window_days]
    return np.asarray(out)


def day_products(left: Floats, right: Floats, horizon_h: int, window_days: int) -> Floats:
    """Like :func:`known_sums` of ``left[:, :, None] * right[:, None, :]``, without forming it."""
    rows, days = left.shape[0], -(-left.shape[0] // 24)

    def laid(values: Floats) -> Floats:
        out = np.zeros((days * 24, values.shape[1]))
        if horizon_h < rows:
            out[horizon_h:rows] = values[: rows - horizon_h]
        return out.reshape(days, 24, values.shape[1])

    daily = np.matmul(laid(left).transpose(0, 2, 1), laid(right))
    sums = np.concatenate([np.zeros((1, *daily.shape[1:])), np.cumsum(daily, axis=0)])
    out = sums.copy()
    if days > window_days:
        out[window_days:] -= sums[: days + 1 - window_days]
    return out


def ridge(gram: Floats, moment: Floats, penalty: float) -> Floats:
    """Ridge coefficients of standardised features, for many fits at once.

    Parameters
    ----------
    gram : array (fits, p, p)
        Sums of squares and products of the features; its last feature is the constant one, whose
        square counts the rows.
    moment : array (fits, p, targets)
        Sums of features times targets.
    penalty : float
        In rows: how many rows of a unit feature the leaning towards zero is worth.

    Returns
    -------
    array (fits, p, targets)
        Zero where a fit has no rows.
    """
    count = gram[:, -1, -1]
    square = np.diagonal(gram, axis1=1, axis2=2) / np.maximum(count, 1.0)[:, None]
    size = square + 1e-6
    eye = np.eye(gram.shape[1])
    system = gram + penalty * size[:, :, None] * eye
    return np.asarray(np.linalg.solve(system, moment))
