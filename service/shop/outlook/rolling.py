"""Every forecast that the outlook would have made along a grid, each by what was known then."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from service.shop.outlook.blend import blended, weights_by_day, with_margin
from service.shop.outlook.candidates import Learned, candidates, learn
from service.shop.outlook.features import Ahead, Design
from service.shop.outlook.history import Floats
from service.shop.outlook.spread import (
    recalibrated,
    scale,
    scales_by_day,
    spread_features,
    tables_by_day,
)

__all__ = ["Horizon", "drawn", "roll"]


@dataclass(frozen=True)
class Horizon:
    """One horizon along a grid: per row what was forecast, per day what was known.

    ``points`` (rows, candidates, 2), ``centre`` and ``size`` (rows, 3), ``seen`` (rows, 3): air,
    dew point and margin; ``weights`` (days + 1, 3, candidates), ``spread`` (days + 1, 5, 3),
    ``table`` (days + 1, 3, levels).
    """

    learned: Learned
    points: Floats
    seen: Floats
    centre: Floats
    size: Floats
    weights: Floats
    spread: Floats
    table: Floats

    @property
    def relative(self) -> Floats:
        """Errors over their expected size (rows, 3), NaN where there is none."""
        return np.asarray((self.seen - self.centre) / self.size)

    def quantiles(self, rows: np.ndarray[tuple[int], np.dtype[np.int64]]) -> Floats:
        """Quantiles (rows, 3, levels) that stood at these rows, by the day's own table."""
        return drawn(self.centre[rows], self.size[rows], self.table[rows // 24])


def roll(
    made: Design, horizons_h: tuple[int, ...], progress: Callable[[int], None] | None = None
) -> dict[int, Horizon]:
    """Forecast every hour of a grid at the horizons told; ``progress`` hears of each one done."""
    out: dict[int, Horizon] = {}
    for horizon_h in horizons_h:
        out[horizon_h] = _one(made, horizon_h)
        if progress is not None:
            progress(horizon_h)
    return out


def _one(made: Design, horizon_h: int) -> Horizon:
    ahead: Ahead = made.ahead(horizon_h)
    target = made.target(horizon_h)
    learned = learn(made, horizon_h, target, ahead)
    points = candidates(made, learned, ahead)
    weights = weights_by_day(points, target, horizon_h)
    rows = made.grid.hours
    centre = blended(points, _by_row(weights, rows))
    features = spread_features(centre, made.grid.hour_angle + 2.0 * np.pi * horizon_h / 24.0)
    seen = with_margin(target)
    spread = scales_by_day(features, seen - centre, horizon_h)
    size = scale(features, _by_row(spread, rows))
    relative = (seen - centre) / size
    table = recalibrated(tables_by_day(relative, horizon_h), relative, horizon_h)
    return Horizon(learned, points, seen, centre, size, weights, spread, table)


def drawn(centre: Floats, size: Floats, table: Floats) -> Floats:
    """Quantiles from centre and size (rows, 3) and a table (rows or 1, 3, levels).

    The margin is never below zero: air holds no more than saturation.
    """
    out = centre[..., None] + size[..., None] * table
    out[..., 2, :] = np.maximum(out[..., 2, :], 0.0)
    return np.asarray(out)


def _by_row(per_day: Floats, rows: int) -> Floats:
    return np.repeat(per_day[: -(-rows // 24)], 24, axis=0)[:rows]
