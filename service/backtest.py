"""The outlook judged on a recorded series, beside simple forecasts; never peeking.

At every origin each forecast knows only what had been read by then: coefficients, weights, spreads
and the daily course are those of the midnight before. All forecasts are scored on the same origins.
"""

from __future__ import annotations

import itertools
import json
import sys
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sensors.series import Row, SeriesError, load_series
from service.shop.outlook.blend import TARGETS, with_margin
from service.shop.outlook.candidates import SIMPLE
from service.shop.outlook.features import design
from service.shop.outlook.history import AirHistory, Floats, hourly
from service.shop.outlook.rolling import Horizon, roll
from service.shop.outlook.scores import brier, crps_ensemble
from service.shop.outlook.spread import LEVELS

__all__ = ["HORIZONS_H", "MODELS", "BacktestError", "Score", "backtest", "history_of", "run"]

HORIZONS_H = (1, 3, 6, 12, 24, 48)
BASELINES = {
    "persistence": "persistence",
    "yesterday": "same hour yesterday",
    "climatology": "daily climatology",
    "damped": "damped persistence",
}
MODELS = ("outlook", *BASELINES.values())

LONGEST_DAYS = 400.0
"""Of a longer record only the last so many days are used, so that a run ends in good time."""

FIRST_DAYS = 60
"""Days that come before the first origin; of a short record, half of it."""

EVERY_H = 7
"""Hours from origin to origin; no divisor of 24, so that every hour of the day has its turn."""

RESIDUAL_DAYS = 90
FEWEST_RESIDUALS = 100
FEWEST_ORIGINS = 20
HALF_RANGE = 0.4

CLEAR_K = 5.0
"""A margin of at least this is taken as clear for spraying where windows are scored (assumed; a
material's own check asks more)."""

Ints = NDArray[np.int64]


class BacktestError(ValueError):
    """A series cannot be used; says file, line and column."""


@dataclass(frozen=True)
class Score:
    """How one model did at one quantity and horizon; errors in °C or K.

    ``brier`` is of the chance that the margin is at least ``CLEAR_K``; None for other quantities.
    """

    series: str
    horizon_h: int
    model: str
    mae: float
    crps: float
    coverage_80: float
    brier: float | None
    origins: int


def history_of(name: str, rows: list[Row]) -> AirHistory:
    """Return the history in a recorded series.

    Raises
    ------
    BacktestError
        Naming line and column of a reading that is doubled or cannot be.
    """
    for before, row in itertools.pairwise(rows):
        if row.at <= before.at:
            raise BacktestError(f"{_where(name, row)}: at: {row.at.isoformat()} comes twice")
    for row in rows:
        for column, value, low, high in (
            ("air_c", row.air_c, -40.0, 60.0),
            ("rh_pct", row.rh_pct, 0.0, 100.0),
            ("pressure_pa", row.pressure_pa, 50_000.0, 110_000.0),
        ):
            if value is not None and not low <= value <= high:
                raise BacktestError(
                    f"{_where(name, row)}: {column}: {value:g} is outside {low:g} to {high:g}"
                )
    pressure = [np.nan if row.pressure_pa is None else row.pressure_pa for row in rows]
    return AirHistory.from_rh(
        np.array([row.at.timestamp() for row in rows]),
        np.array([row.air_c for row in rows]),
        np.array([row.rh_pct for row in rows]),
        None if np.all(np.isnan(pressure)) else np.array(pressure),
    )


def backtest(
    history: AirHistory,
    *,
    horizons_h: tuple[int, ...] = HORIZONS_H,
    every_h: int = EVERY_H,
    progress: Callable[[str], None] | None = None,
) -> list[Score]:
    """Score the outlook and the simple forecasts by rolling origin.

    Parameters
    ----------
    history : AirHistory
        Hourly or finer, at least 8 days.
    horizons_h : tuple of int
        Hours ahead, 1 to 48.
    every_h : int
        Hours from origin to origin.
    progress : callable, optional
        Hears a line now and then.

    Raises
    ------
    BacktestError
        Where too little of the record can be scored.
    """
    tell = progress or (lambda _line: None)
    grid = hourly(history, float(history.time_s[-1]), longest_days=LONGEST_DAYS)
    made = design(grid)
    first = min(FIRST_DAYS * 24, grid.hours // 2)
    longest = max(horizons_h)
    origins = np.arange(first, grid.hours - longest, every_h, dtype=np.int64)
    whole = grid.segment[np.maximum(origins - 24, 0)] == grid.segment[origins + longest]
    origins = origins[whole & grid.seen[origins]]
    tell(f"{grid.hours} hours, {int(grid.seen.sum())} of them read; {origins.size} origins")
    if origins.size < FEWEST_ORIGINS:
        raise BacktestError(
            f"only {origins.size} origins can be scored; needed are {FEWEST_ORIGINS}: "
            "give an hourly or finer record of at least some three weeks"
        )
    scores: list[Score] = []
    for horizon_h in horizons_h:
        horizon = roll(made, (horizon_h,))[horizon_h]
        scores += _scored(horizon, horizon_h, origins)
        tell(f"{horizon_h} h ahead done")
    order = {name: place for place, name in enumerate(TARGETS)}
    return sorted(scores, key=lambda score: order[score.series])


def run(file: str, *, as_json: bool, every_h: int = EVERY_H) -> None:
    """Do the command: read the file, print table or JSON; progress goes to stderr.

    Raises
    ------
    BacktestError
        What is wrong with the file, and where.
    """
    try:
        rows = load_series(file)
    except SeriesError as error:
        raise BacktestError(str(error)) from error
    history = history_of(Path(file).name, rows)
    scores = backtest(history, every_h=every_h, progress=_to_stderr)
    text = json.dumps([asdict(s) for s in scores], indent=1) if as_json else table(scores)
    sys.stdout.write(text + "\n")


def table(scores: list[Score]) -> str:
    """Scores as a table, each quantity and horizon with the outlook's gain over the best simple."""
    lines = []
    for series in dict.fromkeys(score.series for score in scores):
        lines.append(f"{series}")
        lines.append(
            f"  {'h':>3} {'model':<20} {'MAE':>7} {'CRPS':>7} {'80 % holds':>11} {'Brier':>6}"
        )
        own = [score for score in scores if score.series == series]
        for horizon_h in dict.fromkeys(score.horizon_h for score in own):
            here = [score for score in own if score.horizon_h == horizon_h]
            best = min(score.crps for score in here if score.model != "outlook")
            for score in here:
                gain = 100.0 * (1.0 - score.crps / best) if best > 0 else 0.0
                note = f"   {gain:+.1f} % on the best simple" if score.model == "outlook" else ""
                sure = "" if score.brier is None else f"{score.brier:.3f}"
                lines.append(
                    f"  {horizon_h:>3} {score.model:<20} {score.mae:>7.3f} {score.crps:>7.3f} "
                    f"{100 * score.coverage_80:>9.1f} % {sure:>6}{note}"
                )
    return "\n".join(lines)


def _scored(horizon: Horizon, horizon_h: int, origins: Ints) -> list[Score]:
    simple = with_margin(horizon.points[:, : len(SIMPLE)])
    quantiles = [horizon.quantiles(origins)]
    quantiles += [
        _dressed(simple[:, place], horizon.seen, horizon_h, origins) for place in range(len(SIMPLE))
    ]
    seen = horizon.seen[origins]
    told = np.stack(quantiles)
    usable = np.isfinite(told).all(axis=(0, 2, 3)) & np.isfinite(seen).all(axis=1)
    if not usable.any():
        raise BacktestError(f"nothing could be scored {horizon_h} h ahead: the record is too short")
    out = []
    for model, all_levels in zip(MODELS, told[:, usable], strict=True):
        for q, series in enumerate(TARGETS):
            levels, observed = all_levels[:, q], seen[usable, q]
            low, middle, high = (_at(levels, 0.5 + side) for side in (-HALF_RANGE, 0, HALF_RANGE))
            held = (low <= observed) & (observed <= high)
            out.append(
                Score(
                    series=series,
                    horizon_h=horizon_h,
                    model=model,
                    mae=float(np.abs(middle - observed).mean()),
                    crps=float(crps_ensemble(levels, observed).mean()),
                    coverage_80=float(held.mean()),
                    brier=_brier(levels, observed) if series == "margin_k" else None,
                    origins=int(usable.sum()),
                )
            )
    return out


def _brier(levels: Floats, observed: Floats) -> float:
    chance = np.asarray(np.mean(levels >= CLEAR_K, axis=1))
    return brier(chance, np.asarray(observed >= CLEAR_K, dtype=np.float64))


def _dressed(points: Floats, seen: Floats, horizon_h: int, origins: Ints) -> Floats:
    """Quantiles (origins, 3, levels) of a point forecast by its own errors of the last days.

    Like the outlook's, the errors are those known at the midnight before, and the margin is cut
    at zero.
    """
    error = seen - points
    by_day: dict[int, Floats | None] = {}
    out = np.full((origins.size, points.shape[1], LEVELS.size), np.nan)
    for place, origin in enumerate(origins.tolist()):
        day = origin // 24
        if day not in by_day:
            first = max(0, 24 * (day - RESIDUAL_DAYS) - horizon_h)
            known = error[first : max(0, 24 * day - horizon_h)]
            known = known[np.isfinite(known).all(axis=1)]
            enough = known.shape[0] >= FEWEST_RESIDUALS
            by_day[day] = np.quantile(known, LEVELS, axis=0).T if enough else None
        spread = by_day[day]
        if spread is not None:
            out[place] = points[origin][:, None] + spread
    out[:, 2] = np.maximum(out[:, 2], 0.0)
    return out


def _at(levels: Floats, probability: float) -> Floats:
    place = probability * LEVELS.size - 0.5
    low = int(place)
    part = place - low
    return np.asarray((1.0 - part) * levels[:, low] + part * levels[:, low + 1])


def _where(name: str, row: Row) -> str:
    return name if row.line is None else f"{name}, line {row.line}"


def _to_stderr(line: str) -> None:
    sys.stderr.write(f"backtest: {line}\n")
    sys.stderr.flush()
