"""The public face of the outlook: fit to a place's history, ask for quantiles and for paths."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from service.shop.outlook.blend import blended, with_margin
from service.shop.outlook.candidates import Learned, candidates
from service.shop.outlook.features import Design, design
from service.shop.outlook.further import Usual, further, usual_of, within_reach
from service.shop.outlook.history import AirHistory, Floats, Grid, hourly
from service.shop.outlook.paths import Paths, joint_ranks
from service.shop.outlook.rolling import Horizon, drawn, roll
from service.shop.outlook.spread import LEVELS, scale, spread_features
from service.shop.outlook.told import Told

__all__ = ["LONGEST_H", "PROBABILITIES", "OutlookModel", "Quantiles", "fit"]

LONGEST_H = 48
HORIZONS_H = tuple(range(1, LONGEST_H + 1))

PROBABILITIES: Floats = np.arange(1, 20) / 20.0
"""Probabilities of the quantiles that are told: 0.05 to 0.95."""


@dataclass(frozen=True)
class Quantiles:
    """What the air may be at some hours from now.

    ``horizon_h`` (h,); ``air_c``, ``dew_point_c`` [°C] and ``margin_k`` [K] (h, 19) at
    ``PROBABILITIES``. The margin is that of the air over its dew point, never below zero.
    """

    horizon_h: Floats
    air_c: Floats
    dew_point_c: Floats
    margin_k: Floats


@dataclass(frozen=True)
class _Hour:
    """What was learned for one horizon by the end of the history."""

    learned: Learned
    weights: Floats
    spread: Floats
    table: Floats


@dataclass(frozen=True)
class OutlookModel:
    """An outlook fitted to the history of one place up to ``fitted_s``.

    It can be asked at any later instant: what was learned stays, what was read since counts.
    """

    history: AirHistory
    fitted_s: float
    has_pressure: bool
    hours: tuple[_Hour, ...]
    trajectories: Floats
    usual: Usual
    told: Told | None = None

    def with_history(self, history: AirHistory, told: Told | None = None) -> OutlookModel:
        """Return the same model looking at a newer record of the place, and a newer forecast."""
        return replace(self, history=history, told=told)

    def forecast(
        self, now: datetime | float, horizons_h: Floats | tuple[float, ...] = HORIZONS_H
    ) -> Quantiles:
        """Forecast quantiles of air, dew point and margin.

        Parameters
        ----------
        now : datetime or float
            Aware, or seconds since 1970; readings after it are not looked at.
        horizons_h : array
            Hours from now, above 0 to 48; between whole hours the quantiles run straight.

        Raises
        ------
        ValueError
            Where the newest reading is more than 40 min old, or a horizon is out of range.
        """
        wanted = _horizons(horizons_h)
        quantiles, now_values, _ = self._hourly(_seconds(now))
        told = _levels(quantiles)
        start = np.repeat(with_margin(now_values)[:, None], PROBABILITIES.size, axis=1)
        course = np.concatenate([start[None], told])
        at = _between(course, wanted)
        return Quantiles(wanted, at[:, 0], at[:, 1], at[:, 2])

    def sample_paths(
        self,
        now: datetime | float,
        count: int,
        seed: int,
        horizons_h: Floats | tuple[float, ...] = HORIZONS_H,
    ) -> Paths:
        """Draw joint courses of air and dew point.

        Each hour is as the quantiles say; hours go together as this place's past errors did.

        Parameters
        ----------
        now, horizons_h
            As for :meth:`forecast`.
        count : int
            Number of paths, at least 1.
        seed : int
            The same seed draws the same paths.
        """
        wanted = _horizons(horizons_h)
        if count < 1:
            raise ValueError(f"count: must be at least 1, got {count}")
        now_s = _seconds(now)
        course, _ = self._drawn(now_s, count, seed)
        at = _between(course, wanted).transpose(1, 0, 2)
        return _paths(now_s, wanted, at)

    def long_paths(self, now: datetime | float, count: int, seed: int, hours: int) -> Paths:
        """Draw joint courses by the hour, from now (horizon 0) to beyond the outlook's 48 h.

        Past 48 h each course fades into the place's daily course and wanders about it as the air
        here usually does: no forecast, but what is to be expected of any day.

        Parameters
        ----------
        now, count, seed
            As for :meth:`sample_paths`.
        hours : int
            How far, at least 48.
        """
        if count < 1 or hours < LONGEST_H:
            raise ValueError(f"count, hours: at least 1 and {LONGEST_H}, got {count} and {hours}")
        now_s = _seconds(now)
        course, made = self._drawn(now_s, count, seed)
        near = course.transpose(1, 0, 2)
        far = further(near[:, -1], self.usual, made.course[-24:], hours - LONGEST_H, seed)
        wanted = np.arange(hours + 1, dtype=np.float64)
        return _paths(now_s, wanted, np.concatenate([near, far], axis=1))

    def _drawn(self, now_s: float, count: int, seed: int) -> tuple[Floats, Design]:
        """Air and margin (49, paths, 2) at whole hours from now on."""
        quantiles, now_values, made = self._hourly(now_s)
        ranks = joint_ranks(self.trajectories, count, seed)
        place = np.clip(ranks * LEVELS.size - 0.5, 0.0, LEVELS.size - 1.0)
        low = np.minimum(place.astype(np.int64), LEVELS.size - 2)
        part = place - low
        hour = np.arange(LONGEST_H)[None, :, None]
        which = np.array([0, 2])[None, None, :]
        drawn_ = (1.0 - part) * quantiles[hour, which, low] + part * quantiles[hour, which, low + 1]
        first = np.array([now_values[0], now_values[0] - now_values[1]])
        start = np.broadcast_to(first, (count, 1, 2))
        return np.concatenate([start, drawn_], axis=1).transpose(1, 0, 2), made

    def _hourly(self, now_s: float) -> tuple[Floats, Floats, Design]:
        """Quantiles (48, 3, levels) at whole hours, the values (2,) now, and what they rest on."""
        if now_s < self.fitted_s - 1.0:
            raise ValueError("now: lies before the instant that the outlook was fitted at")
        grid = _as_fitted(hourly(self.history, now_s), has_pressure=self.has_pressure)
        told = self.told if self.hours[0].learned.told is not None else None
        made = design(grid, told)
        if not made.grid.seen[-1]:
            raise ValueError("history: no reading in the 40 min before now; there is no outlook")
        last = made.grid.hours - 1
        out = []
        for hour in self.hours:
            horizon_h = hour.learned.horizon_h
            points = candidates(made, hour.learned, made.ahead(horizon_h, last), day=0)
            centre = blended(points, hour.weights[None])
            angle = made.grid.hour_angle[last:] + 2.0 * np.pi * horizon_h / 24.0
            size = scale(spread_features(centre, angle), hour.spread)
            out.append(drawn(centre, size, hour.table[None])[0])
        return within_reach(np.stack(out), self.usual, LEVELS), made.grid.values[-1], made


def fit(
    history: AirHistory, now: datetime | float | None = None, told: Told | None = None
) -> OutlookModel:
    """Fit an outlook to a place's history.

    Parameters
    ----------
    history : AirHistory
        At least a day; from some 30 days on the learned forecasts carry weight, before that an
        anomaly that fades towards the daily course stands alone.
    now : datetime or float, optional
        Nothing read after this is looked at; unset, the newest reading.
    told : Told, optional
        What was foretold of the air outdoors, now and in the past. It gets the weight that its past
        worth for this place asks for.

    Raises
    ------
    ValueError
        Where there is less than a day of history.
    """
    if history.time_s.size == 0:
        raise ValueError("history: is empty")
    now_s = float(history.time_s[-1]) if now is None else _seconds(now)
    grid = hourly(history, now_s)
    if grid.hours < 25 or grid.seen.sum() < 24:
        raise ValueError("history: an outlook needs at least a day of readings")
    made = design(grid, told)
    rolled = roll(made, HORIZONS_H)
    hours = tuple(_last(rolled[h]) for h in HORIZONS_H)
    relative = np.stack([rolled[h].relative[:, [0, 2]] for h in HORIZONS_H], axis=1)
    whole = np.isfinite(relative).all(axis=(1, 2))
    return OutlookModel(
        history,
        now_s,
        grid.pressure_pa is not None,
        hours,
        relative[whole],
        usual_of(made),
        told,
    )


def _last(horizon: Horizon) -> _Hour:
    # Copies: a view of the last day would hold on to all the others.
    learned = horizon.learned
    newest = Learned(
        learned.horizon_h,
        learned.damping[-1:].copy(),
        learned.coefficients[:, -1:].copy(),
        learned.rows[-1:].copy(),
        None if learned.told is None else learned.told[-1:].copy(),
    )
    own = (horizon.weights[-1].copy(), horizon.spread[-1].copy(), horizon.table[-1].copy())
    return _Hour(newest, *own)


def _as_fitted(grid: Grid, *, has_pressure: bool) -> Grid:
    """Give the grid pressure exactly where the fit had it."""
    if has_pressure and grid.pressure_pa is None:
        return replace(grid, pressure_pa=np.full(grid.hours, 101_325.0))
    return grid if has_pressure else replace(grid, pressure_pa=None)


def _levels(quantiles: Floats) -> Floats:
    """Quantiles (h, 3, levels) at the probabilities that are told."""
    place = PROBABILITIES * LEVELS.size - 0.5
    low = place.astype(np.int64)
    part = place - low
    return np.asarray((1.0 - part) * quantiles[..., low] + part * quantiles[..., low + 1])


def _between(course: Floats, horizons_h: Floats) -> Floats:
    """Values (h, ...) straight between whole hours 0 to 48 of a course (49, ...)."""
    low = np.minimum(horizons_h.astype(np.int64), LONGEST_H - 1)
    part = (horizons_h - low).reshape(-1, *([1] * (course.ndim - 1)))
    return np.asarray((1.0 - part) * course[low] + part * course[low + 1])


def _horizons(horizons_h: Floats | tuple[float, ...]) -> Floats:
    wanted = np.atleast_1d(np.asarray(horizons_h, dtype=np.float64))
    if wanted.size == 0 or not np.all((wanted > 0) & (wanted <= LONGEST_H)):
        raise ValueError(f"horizons_h: must be above 0 and at most {LONGEST_H}")
    return wanted


def _paths(now_s: float, horizon_h: Floats, air_and_margin: Floats) -> Paths:
    air_c = air_and_margin[..., 0]
    return Paths(now_s, horizon_h, air_c, air_c - np.maximum(air_and_margin[..., 1], 0.0))


def _seconds(now: datetime | float) -> float:
    if isinstance(now, datetime):
        if now.tzinfo is None:
            raise ValueError("now: needs a time zone")
        return now.timestamp()
    return float(now)
