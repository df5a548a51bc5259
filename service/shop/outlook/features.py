"""What the outlook looks at: anomalies, how they have been moving, pressure, hour of the day."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.shop.outlook.courses import daily_course, filled, same_hour
from service.shop.outlook.history import Floats, Grid
from service.shop.outlook.told import Told, ToldGrid

__all__ = ["Ahead", "Design", "design"]

LAGS_H = (1, 2, 3, 6, 12, 18)
PRESSURE_LAGS_H = (3, 6, 12, 24)
LARGE_K = 5.0


@dataclass(frozen=True)
class Ahead:
    """What stands before each row for one horizon.

    ``features`` (rows, p) have a last column of ones; ``told`` (rows, 4), where there is a forecast
    of the air outdoors, is what it adds, NaN where it says nothing; ``course`` (rows, 2) is the
    daily course at the target's hour [°C]; ``yesterday`` (rows, 2) the last value seen then.
    """

    features: Floats
    course: Floats
    yesterday: Floats
    told: Floats | None = None


@dataclass(frozen=True)
class Design:
    """Features of every hour of a grid; rows know nothing later than themselves."""

    grid: Grid
    values: Floats
    course: Floats
    anomaly: Floats
    now: Floats
    told: ToldGrid | None = None

    def ahead(self, horizon_h: int, first_row: int = 0) -> Ahead:
        """Return what stands before rows from ``first_row`` on for one horizon [h, 1 to 48]."""
        rows = self.grid.hours
        back = same_hour(rows, horizon_h)[first_row:]
        known = (back >= 0)[:, None]
        index = np.maximum(back, 0)
        course = np.where(known, self.course[index], np.nan)
        step = course - self.course[first_row:]
        anomaly = self.anomaly[first_row:]
        leaning = step * np.clip(anomaly / LARGE_K, -1.0, 1.0)
        angle = self.grid.hour_angle[first_row:] + 2.0 * np.pi * horizon_h / 24.0
        turn = np.column_stack([f(k * angle) for k in (1, 2) for f in (np.cos, np.sin)])
        same = np.where(known, self.anomaly[index], np.nan)
        ones = np.ones((rows - first_row, 1))
        features = np.hstack([self.now[first_row:], turn, same, step, leaning, ones])
        yesterday = np.where(known, self.values[index], np.nan)
        told = None if self.told is None else self.told.features(horizon_h, first_row)
        return Ahead(features, course, yesterday, told)

    def target(self, horizon_h: int) -> Floats:
        """Return what was seen so much later (rows, 2), NaN where unseen or across a break."""
        grid, rows = self.grid, self.grid.hours
        out = np.full((rows, 2), np.nan)
        if horizon_h >= rows:
            return out
        later = grid.values[horizon_h:]
        day_before = np.maximum(np.arange(rows - horizon_h) - 24, 0)
        unbroken = grid.segment[horizon_h:] == grid.segment[day_before]
        usable = unbroken & grid.seen[: rows - horizon_h]
        out[: rows - horizon_h] = np.where(usable[:, None], later, np.nan)
        return out


def design(grid: Grid, told: Told | None = None) -> Design:
    """Reckon the features of every hour of a grid, with a forecast of the air outdoors or not."""
    course = daily_course(grid.values)
    values = filled(grid.values, course)
    anomaly = values - course
    angle = grid.hour_angle[:, None]
    moved = anomaly - _lagged(anomaly, 3)
    columns = [anomaly]
    columns += [anomaly - _lagged(anomaly, lag) for lag in LAGS_H]
    columns += [anomaly - _trailing_mean(anomaly, hours) for hours in (24, 72)]
    columns += [x * f(angle) for x in (anomaly, moved) for f in (np.cos, np.sin)]
    if grid.pressure_pa is not None:
        hpa = grid.pressure_pa[:, None] / 100.0
        columns.append(hpa - _trailing_mean(hpa, 14 * 24))
        columns += [hpa - _lagged(hpa, lag) for lag in PRESSURE_LAGS_H]
    beside = None if told is None else told.on(grid)
    return Design(grid, values, course, anomaly, np.hstack(columns), beside)


def _lagged(values: Floats, hours: int) -> Floats:
    """Values so many hours before; before the first row, the first."""
    index = np.maximum(np.arange(values.shape[0]) - hours, 0)
    return np.asarray(values[index])


def _trailing_mean(values: Floats, hours: int) -> Floats:
    """Mean of the last hours up to each row; of those there are, in the beginning."""
    sums = np.cumsum(np.nan_to_num(values), axis=0)
    count = np.cumsum(np.isfinite(values), axis=0)
    old = np.arange(values.shape[0]) - hours
    gone = (old >= 0)[:, None]
    index = np.maximum(old, 0)
    total = sums - np.where(gone, sums[index], 0.0)
    return np.asarray(total / np.maximum(count - np.where(gone, count[index], 0), 1))
