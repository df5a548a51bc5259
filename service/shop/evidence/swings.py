"""What the air did between the last coat and the flaw: swings, cold, and weeks of dry and damp."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from service.shop.evidence.model import Swing, Swings
from service.shop.evidence.rows import Rows, instant, missing

__all__ = ["largest_change", "swings"]

Floats = NDArray[np.float64]

HOUR_S = 3600.0
DAY_H, WEEK_H = 24, 168
LEAST_WEEK_H = 84
"""A week's mean needs so many of its hours."""


def swings(rows: Rows, from_s: float, until_s: float, since_s: float) -> Swings | None:
    """Sum up hourly rows from ``from_s`` (the last coat) to ``until_s`` (the flaw).

    Weeks are looked at from ``since_s`` (the first coat) on. None where nothing was read.
    """
    inside = rows.inside(from_s - from_s % HOUR_S, until_s)
    if not inside.any():
        return None
    time_s, air_c = rows.time_s[inside], rows.air_c[inside]
    coldest = int(np.argmin(air_c))
    gone_s, _ = missing(time_s, HOUR_S, from_s, until_s)
    dried, wetted = _weeks(rows, since_s - since_s % HOUR_S, until_s)
    return Swings(
        from_at=instant(from_s),
        until_at=instant(until_s),
        air_k=largest_change(time_s, air_c),
        rh_pct=largest_change(time_s, rows.rh_pct[inside]),
        coldest_c=float(air_c[coldest]),
        coldest_at=instant(float(time_s[coldest])),
        dried_pct=dried,
        wetted_pct=wetted,
        missing_share=min(1.0, gone_s / max(until_s - from_s, 1.0)),
    )


def largest_change(time_s: Floats, value: Floats) -> Swing | None:
    """Return the largest change between two hourly values at most 24 hours apart, in size."""
    hour, grid = _on_grid(time_s, value)
    best: tuple[float, int, int] | None = None
    for lag in range(1, min(DAY_H, grid.size - 1) + 1):
        change = np.abs(grid[lag:] - grid[:-lag])
        if np.isnan(change).all():
            continue
        at = int(np.nanargmax(change))
        if best is None or change[at] > best[0]:
            best = float(change[at]), at, at + lag
    if best is None:
        return None
    _, first, last = best
    return Swing(
        change=float(grid[last] - grid[first]),
        from_at=instant((hour + first) * HOUR_S),
        until_at=instant((hour + last) * HOUR_S),
        from_value=float(grid[first]),
        to_value=float(grid[last]),
    )


def _weeks(rows: Rows, since_s: float, until_s: float) -> tuple[float | None, float | None]:
    """Return the largest fall and rise of the week's mean humidity."""
    inside = rows.inside(since_s, until_s)
    _, grid = _on_grid(rows.time_s[inside], rows.rh_pct[inside])
    if grid.size < WEEK_H + DAY_H:
        return None, None
    known = ~np.isnan(grid)
    window = np.ones(WEEK_H)
    there = np.convolve(known, window, "valid")
    total = np.convolve(np.where(known, grid, 0.0), window, "valid")
    means = (total / np.maximum(there, 1.0))[there >= LEAST_WEEK_H]
    if means.size < 2:
        return None, None
    fall = float(np.max(np.maximum.accumulate(means) - means))
    rise = float(np.max(means - np.minimum.accumulate(means)))
    return fall, rise


def _on_grid(time_s: Floats, value: Floats) -> tuple[int, Floats]:
    """Put hourly values on a grid without gaps, NaN where nothing is; and its first hour."""
    if time_s.size == 0:
        return 0, np.empty(0)
    hour = np.round(time_s / HOUR_S).astype(np.int64)
    grid = np.full(int(hour[-1] - hour[0]) + 1, np.nan)
    grid[hour - hour[0]] = value
    return int(hour[0]), grid
