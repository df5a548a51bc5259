"""How good the spray windows are: chances that the check will say *spray*, against simple ones.

    python deploy/windows_table.py                    stations of open weather
    python deploy/windows_table.py --indoor FOLDER    rooms written by simulated_indoor.py
    python deploy/windows_table.py --material ID ...  for another material

At every origin of a rolling backtest the outlook's draws of air and dew point, and later the air
that came, are put to the limits of the spray check for one material and its usual coat. Each cell
is how much smaller, in per cent, the Brier score is than that of the best of three simple
forecasts, picked afterwards for that cell; below stands how often it came true.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray
from outlook_table import histories

from service.shop.air import Air, SensorReading, current_air
from service.shop.film_table import FilmTable, Known
from service.shop.materials import Coating, Material
from service.shop.outlook import AirHistory, Paths
from service.shop.outlook.features import design
from service.shop.outlook.history import hourly
from service.shop.outlook.rolling import Horizon, roll
from service.shop.outlook.scores import brier
from service.shop.outlook.spread import LEVELS
from service.shop.spray_windows import allowed
from service.store.catalogue import load_catalogue

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

MATERIAL = "nitro-lacquer-gun"
HORIZONS_H = (1, 3, 6, 12, 24, 48)
FIRST_DAYS, EVERY_H, KNOWN_DAYS = 60, 7, 90
DRAWS = 100
BASELINES = ("answer as now", "as yesterday at that hour", "share at that hour")
BINS = np.linspace(0.0, 1.0, 11)
LEAST_BRIER = 0.005
"""Where a simple forecast is as good as this there is nothing to gain."""


@dataclass(frozen=True)
class Judge:
    """The spray check's limits for one material and coat, asked of many airs."""

    air: Air
    material: Material
    coating: Coating
    table: FilmTable | None

    @classmethod
    def of(cls, material: Material) -> Judge:
        """Judge by a usual sensor, with nothing hung up whose surface is measured."""
        now = datetime(2026, 1, 1, tzinfo=UTC)
        reading = SensorReading("wall", now, 20.0, 50.0, None, 101_325.0, 0.3, 2.0)
        air = current_air([reading], now=now, stale_after_s=600.0, pressure_pa=101_325.0)
        if air is None:
            raise ValueError("air: a reading makes one")
        coating = Coating(material.usual_wet_um)
        film = None
        if material.limits.blush_margin_k is not None:
            film = FilmTable(material, coating, Known.of(air))
        return cls(air, material, coating, film)

    def says(self, air_c: Floats, dew_point_c: Floats) -> Bools:
        """Whether the check says *spray* in each air."""
        paths = Paths(0.0, np.ones(1), air_c.reshape(-1, 1), dew_point_c.reshape(-1, 1))
        may = allowed(paths, self.air, self.material, self.coating, self.table, spraying=True)
        return may[:, 0].reshape(air_c.shape)


def drawn(horizon: Horizon, horizon_h: int, rows: NDArray[np.int64], seed: int) -> Floats:
    """Draw air and margin (rows, DRAWS, 2), going together as past errors did by then."""
    rng = np.random.default_rng(seed)
    relative = horizon.relative[:, [0, 2]]
    levels = horizon.quantiles(rows)[:, [0, 2]]
    out = np.full((rows.size, DRAWS, 2), np.nan)
    for place, row in enumerate(rows.tolist()):
        day = row // 24
        known = relative[max(0, 24 * (day - KNOWN_DAYS)) : max(0, 24 * day - horizon_h)]
        known = known[np.isfinite(known).all(axis=1)]
        if known.shape[0] < DRAWS:
            continue
        picked = known[rng.choice(known.shape[0], DRAWS, replace=False)]
        rank = (np.argsort(np.argsort(picked, axis=0), axis=0) + 0.5) / DRAWS
        for v in (0, 1):
            out[place, :, v] = np.interp(rank[:, v], LEVELS, levels[place, v])
    return out


def simple(answer: Floats, horizon_h: int, rows: NDArray[np.int64]) -> Floats:
    """Chances (3, rows) of the simple forecasts, by what was known at the midnight before.

    The first two are the shares of *spray* that followed each answer in the last days, so that
    they are as sure as they may be and no more.
    """
    out = np.full((3, rows.size), np.nan)
    back = 24 * -(-horizon_h // 24) - horizon_h
    for place, row in enumerate(rows.tolist()):
        last, first = 24 * (row // 24), max(0, 24 * (row // 24 - KNOWN_DAYS))
        target = np.arange(max(first, horizon_h + back, 24), last)
        for which, before in ((0, horizon_h), (1, horizon_h + back)):
            now = answer[row - (before - horizon_h)]
            like = target[answer[target - before] == now]
            out[which, place] = np.nanmean(answer[like]) if like.size else np.nan
        same = target[(target - row - horizon_h) % 24 == 0]
        out[2, place] = np.nanmean(answer[same]) if same.size else np.nan
    return out


def main() -> None:
    """Print both tables."""
    asked = sys.argv[1:]
    chosen = MATERIAL
    if asked[:1] == ["--material"]:
        chosen, asked = asked[1], asked[2:]
    judge = Judge.of(load_catalogue().materials[chosen])
    print(f"Material: {chosen}. Brier score against the best simple forecast [%]")
    print("| air | spray | " + " | ".join(f"{h} h" for h in HORIZONS_H) + " |")
    print("|---|---|" + "---|" * len(HORIZONS_H))
    told: list[Floats] = []
    came: list[Floats] = []
    gains: list[list[float]] = []
    for name, history in histories(asked).items():
        cells, share, mine, seen = one(judge, history)
        gains.append(cells)
        told.append(mine)
        came.append(seen)
        print(f"| {name} | {share:.0%} | " + " | ".join(map(cell, cells)) + " |", flush=True)
    mean = [float(np.nanmean(c)) if np.isfinite(c).any() else np.nan for c in np.transpose(gains)]
    print("| mean | | " + " | ".join(map(cell, mean)) + " |")
    chances, happened = np.concatenate(told), np.concatenate(came)
    print("\n| told | times | came true |\n|---|---|---|")
    which = np.clip(np.digitize(chances, BINS) - 1, 0, BINS.size - 2)
    for b in range(BINS.size - 1):
        own = which == b
        if own.any():
            said = f"{100 * BINS[b]:.0f} to {100 * BINS[b + 1]:.0f} %"
            print(f"| {said} | {int(own.sum())} | {100 * happened[own].mean():.0f} % |")


def one(judge: Judge, history: AirHistory) -> tuple[list[float], float, Floats, Floats]:
    """Judge one place: gains by horizon, share of *spray*, and all chances with what came."""
    made = design(hourly(history, float(history.time_s[-1]), longest_days=400.0))
    values = made.grid.values
    known = np.isfinite(values).all(axis=1)
    answer = np.full(made.grid.hours, np.nan)
    answer[known] = judge.says(values[known, 0], values[known, 1])
    rows = np.arange(FIRST_DAYS * 24, made.grid.hours - 48, EVERY_H, dtype=np.int64)
    rows = rows[made.grid.seen[rows]]
    cells, told, came = [], [], []
    for horizon_h in HORIZONS_H:
        horizon = roll(made, (horizon_h,))[horizon_h]
        draws = drawn(horizon, horizon_h, rows, seed=horizon_h)
        dew = draws[..., 0] - np.maximum(draws[..., 1], 0.0)
        whole = np.isfinite(draws).all(axis=(1, 2)) & np.isfinite(horizon.seen[rows]).all(axis=1)
        others = simple(answer, horizon_h, rows)
        whole &= np.isfinite(others).all(axis=0) & np.isfinite(answer[rows + horizon_h])
        mine = judge.says(draws[whole, :, 0], dew[whole]).mean(axis=1)
        seen = answer[rows[whole] + horizon_h]
        best = min(brier(other, seen) for other in others[:, whole])
        cells.append(100.0 * (1.0 - brier(mine, seen) / best) if best > LEAST_BRIER else np.nan)
        told.append(mine)
        came.append(seen)
    return cells, float(np.nanmean(answer)), np.concatenate(told), np.concatenate(came)


def cell(value: float) -> str:
    """Put a gain into a cell."""
    return "-" if np.isnan(value) else f"{value:+.1f}"


if __name__ == "__main__":
    main()
