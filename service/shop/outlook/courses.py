"""The learned daily course: what this place usually does at each hour of the day."""

from __future__ import annotations

import numpy as np

from service.shop.outlook.history import Floats

__all__ = ["FADE_DAYS", "daily_course", "filled", "same_hour"]

FADE_DAYS = 10.0
"""Time constant with which old days fade out of the course (chosen on development stations)."""


def daily_course(values: Floats, fade_days: float = FADE_DAYS) -> Floats:
    """Course of each variable at its own hour of the day, as known at that hour.

    Parameters
    ----------
    values : array (hours, v)
        Even hours, NaN where not seen.
    fade_days : float
        Time constant of forgetting [days], at least 1.

    Returns
    -------
    array (hours, v)
        At each hour, the fading mean of that hour of the day up to and with this day. In the first
        days it leans on the mean of all hours. NaN before anything was seen.
    """
    hours, variables = values.shape
    days = -(-hours // 24)
    padded = np.full((days * 24, variables), np.nan)
    padded[:hours] = values
    blocks = padded.reshape(days, 24, variables)
    keep = 1.0 - 1.0 / fade_days
    total, weight = np.zeros((24, variables)), np.zeros((24, variables))
    lean = 1.0
    out = np.empty_like(blocks)
    for day, block in enumerate(blocks):
        seen = np.isfinite(block)
        before, before_weight = total.copy(), weight.copy()
        total = keep * total + np.where(seen, block, 0.0)
        weight = keep * weight + seen
        lean *= keep
        out[day] = _leaning(before, before_weight, total, weight, lean)
    return out.reshape(-1, variables)[:hours]


def _leaning(
    before: Floats, before_weight: Floats, total: Floats, weight: Floats, lean: float
) -> Floats:
    """Lean an hour's mean on the mean of all hours seen so far: yesterday's and today's till then.

    Hours of today are let in one by one, so that no hour knows a later one.
    """
    sums = before.sum(axis=0) + np.cumsum(total - before, axis=0)
    weights = before_weight.sum(axis=0) + np.cumsum(weight - before_weight, axis=0)
    mean = np.divide(sums, weights, out=np.full_like(sums, np.nan), where=weights > 0)
    return np.asarray((total + lean * np.nan_to_num(mean)) / (weight + lean) + 0.0 * mean)


def filled(values: Floats, course: Floats) -> Floats:
    """Unseen hours filled by the course and the anomaly straight between those around them."""
    out = values.copy()
    index = np.arange(values.shape[0])
    for v in range(values.shape[1]):
        anomaly = values[:, v] - course[:, v]
        known = np.isfinite(anomaly)
        if known.any():
            bridge = course[:, v] + np.interp(index, index[known], anomaly[known])
            out[:, v] = np.where(known, values[:, v], bridge)
    return out


def same_hour(rows: int, horizon_h: int) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """Newest known row at the same hour of the day as each row's target; below 0 before the first.

    A target 1 to 24 h ahead looks back to the day before it, one 25 to 48 h ahead two days.
    """
    back = 24 * (-(-horizon_h // 24)) - horizon_h
    return np.arange(rows, dtype=np.int64) - back
