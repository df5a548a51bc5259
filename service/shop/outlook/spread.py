"""How wide: the outlook's own past errors, each measured against how hard its moment was."""

from __future__ import annotations

from statistics import NormalDist

import numpy as np

from service.shop.outlook.history import Floats
from service.shop.outlook.learned import day_products

__all__ = ["LEVELS", "recalibrated", "scale", "scales_by_day", "spread_features", "tables_by_day"]

LEVELS: Floats = np.arange(0.5, 40.0) / 40.0
"""Probabilities at which errors are kept: the middles of 40 equal parts."""

WINDOW_DAYS = 90

FIRST_MEAN_K = (3.0, 2.5, 3.0)
"""Mean size of an error a day ahead of air, dew point, margin before any was seen (assumed)."""

FIRST_ROWS = 48.0
ENOUGH_ROWS = 14 * 24
"""What is assumed of the first errors counts as so many rows, fading to none when this many are
seen: in a calm store errors are a hundredth of it."""

RENEWED_DAYS = 3
"""Tables are renewed this often along a grid, and at its end."""

STRETCH_DAYS = 180
STRETCH_FROM_ROWS = 14 * 24
STRETCH_BOUNDS = (0.9, 1.4)

SLOPE_ROWS = 24.0
"""Pull of the slopes towards none, in rows."""

SMALLEST_K = 1e-3
FLOOR, CEILING = 0.4, 2.5
MEAN_TO_SD = 1.2533
"""A normal deviate's standard deviation over its mean size, sqrt(pi / 2)."""

_NORMAL: Floats = MEAN_TO_SD * np.array([NormalDist().inv_cdf(p) for p in LEVELS.tolist()])


def spread_features(point: Floats, angle: Floats) -> Floats:
    """What the size of an error depends on (rows, 4): one, forecast margin, target's hour."""
    margin = np.clip(np.nan_to_num(point[:, 2]), 0.0, 20.0) / 5.0
    return np.column_stack([np.ones(margin.size), margin, np.cos(angle), np.sin(angle)])


def scales_by_day(features: Floats, error: Floats, horizon_h: int) -> Floats:
    """What is known by each day of the size of errors (rows, 3): (days + 1, 5, 3).

    Four coefficients, and after them the mean size [K], which bounds what they may say.
    """
    usable = np.asarray(np.isfinite(error).all(axis=1))[:, None]
    x = np.where(usable, features, 0.0)
    size = np.where(usable, np.abs(error), 0.0)
    gram = day_products(x, x, horizon_h, WINDOW_DAYS)
    moment = day_products(x, size, horizon_h, WINDOW_DAYS)
    seen = gram[:, 0, 0]
    assumed = np.maximum(FIRST_ROWS * (1.0 - seen / ENOUGH_ROWS), 1e-6)
    gram[:, 0, 0] += assumed
    grown = np.sqrt(1.0 - np.exp(-horizon_h / 6.0))
    moment[:, 0] += assumed[:, None] * grown * np.array(FIRST_MEAN_K)
    slopes = np.diag([0.0, *([SLOPE_ROWS] * (features.shape[1] - 1))])
    mean = moment[:, :1] / gram[:, :1, :1]
    return np.concatenate([np.linalg.solve(gram + slopes, moment), mean], axis=1)


def scale(features: Floats, coefficients: Floats) -> Floats:
    """Mean size of error to expect (rows, 3) [K], by one day's knowledge or each row's own."""
    slopes, mean = coefficients[..., :-1, :], coefficients[..., -1, :]
    if coefficients.ndim == 2:
        size = features @ slopes
    else:
        size = np.einsum("ri,rij->rj", features, slopes)
    usual = np.maximum(mean, SMALLEST_K)
    return np.asarray(np.clip(size, FLOOR * usual, CEILING * usual))


def tables_by_day(relative: Floats, horizon_h: int) -> Floats:
    """Quantiles (days + 1, 3, levels) of errors over their scale (rows, 3) known by each day.

    Until there are enough, a normal error at each level is among them; in the beginning alone.
    """
    rows, targets = relative.shape
    days = -(-rows // 24)
    out = np.empty((days + 1, targets, LEVELS.size))
    for day in range(days + 1):
        if not _renewed(day, days):
            out[day] = out[day - 1]
            continue
        first = max(0, 24 * (day - WINDOW_DAYS) - horizon_h)
        known = relative[first : max(0, min(24 * day, rows) - horizon_h)]
        known = known[np.isfinite(known).all(axis=1)]
        assumed = np.repeat(_NORMAL[:, None], targets, axis=1)
        # The errors of a week of rising air are all of one sign; no forecast may lean on that.
        few = known.shape[0] < ENOUGH_ROWS
        pool = np.vstack([known, -known, assumed]) if few else known
        out[day] = np.quantile(pool, LEVELS, axis=0).T
    return out


def recalibrated(tables: Floats, relative: Floats, horizon_h: int) -> Floats:
    """Stretch each day's table by how far its forerunners' 80 % ranges missed.

    The distance of each past error from its median, in half ranges of that side, should lie within
    one 80 times in 100; the stretch is what makes it so over the last ``STRETCH_DAYS`` (a conformal
    correction, Romano et al. 2019, Conformalized quantile regression).
    """
    rows, days = relative.shape[0], tables.shape[0] - 1
    low, middle, high = (_at(tables, p)[:days] for p in (0.1, 0.5, 0.9))
    day_of = np.arange(rows) // 24
    error = relative - middle[day_of]
    half = np.where(error < 0, (middle - low)[day_of], (high - middle)[day_of])
    distance = np.abs(error) / np.maximum(half, 1e-6)
    stretch = np.ones((days + 1, relative.shape[1]))
    for day in range(days + 1):
        if not _renewed(day, days):
            stretch[day] = stretch[day - 1]
            continue
        first = max(0, 24 * (day - STRETCH_DAYS) - horizon_h)
        known = distance[first : max(0, min(24 * day, rows) - horizon_h)]
        known = known[np.isfinite(known).all(axis=1)]
        if known.shape[0] >= STRETCH_FROM_ROWS:
            stretch[day] = np.quantile(known, 0.8, axis=0)
    stretch = np.clip(stretch, *STRETCH_BOUNDS)
    centre = _at(tables, 0.5)[..., None]
    return np.asarray(centre + stretch[..., None] * (tables - centre))


def _renewed(day: int, last: int) -> bool:
    return day % RENEWED_DAYS == 0 or day == last


def _at(tables: Floats, level: float) -> Floats:
    """Value of tables (..., levels) at one probability, straight between the two beside it."""
    place = level * LEVELS.size - 0.5
    low = int(place)
    part = place - low
    return np.asarray((1.0 - part) * tables[..., low] + part * tables[..., low + 1])
