"""The table of the outlook's worth, in Markdown.

    python deploy/outlook_table.py                   six stations of open weather
    python deploy/outlook_table.py --indoor FOLDER   rooms written by simulated_indoor.py

Each cell: how much smaller the outlook's CRPS is than that of the best simple forecast, picked
afterwards for that cell, and the share of the outlook's 80 % ranges that held.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
from outlook_stations import STATIONS, joins_s, load

from sensors.series import load_series
from service.backtest import HORIZONS_H, Score, backtest, history_of
from service.shop.outlook import AirHistory

NEARLY_PERFECT_BRIER = 0.005


def histories(arguments: list[str]) -> dict[str, AirHistory]:
    """Return what is to be judged, by name."""
    if arguments[:1] != ["--indoor"]:
        return {
            name + (" (untouched)" if station.untouched else ""): load(station)
            for name, station in STATIONS.items()
            if not arguments or name in arguments
        }
    found = {}
    for path in sorted(Path(arguments[1]).glob("*.csv")):
        station = next(STATIONS[name] for name in STATIONS if path.stem.startswith(name))
        made = history_of(path.name, load_series(path))
        found[path.stem] = replace(made, breaks_s=joins_s(station))
    return found


def gain_pct(scores: list[Score], series: str, horizon_h: int, measure: str) -> float:
    """Return by how much the outlook's score is smaller than the best simple forecast's [%].

    NaN where that was nearly perfect: a margin that is hardly ever in doubt leaves nothing to gain.
    """
    floor = NEARLY_PERFECT_BRIER if measure == "brier" else 0.0
    here = [s for s in scores if (s.series, s.horizon_h) == (series, horizon_h)]
    own = next(s for s in here if s.model == "outlook")
    best = min(getattr(s, measure) for s in here if s.model != "outlook")
    return 100.0 * (1.0 - getattr(own, measure) / best) if best > floor else float("nan")


def cells(scores: list[Score], series: str) -> list[str]:
    """Return the cells of one quantity's line."""
    out = []
    for horizon_h in HORIZONS_H:
        own = next(
            s for s in scores if (s.series, s.horizon_h, s.model) == (series, horizon_h, "outlook")
        )
        gain = gain_pct(scores, series, horizon_h, "crps")
        out.append(f"{gain:+.1f} ({100 * own.coverage_80:.0f})")
    return out


def main() -> None:
    """Print the table."""
    head = " | ".join(f"{h} h" for h in HORIZONS_H)
    print(f"| air | quantity | origins | {head} |")
    print("|---|---|---|" + "---|" * len(HORIZONS_H))
    kept: dict[str, list[list[float]]] = {}
    for name, history in histories(sys.argv[1:]).items():
        scores = backtest(history)
        for series in ("air_c", "dew_point_c", "margin_k"):
            print(f"| {name} | {series} | {scores[0].origins} | ", end="")
            print(" | ".join(cells(scores, series)), "|", flush=True)
            gains = [gain_pct(scores, series, h, "crps") for h in HORIZONS_H]
            kept.setdefault(series, []).append(gains)
        sure = [gain_pct(scores, "margin_k", h, "brier") for h in HORIZONS_H]
        kept.setdefault("margin at least 5 K, Brier", []).append(sure)
        print(f"| {name} | margin at least 5 K, Brier | {scores[0].origins} | ", end="")
        print(
            " | ".join("-" if np.isnan(gain) else f"{gain:+.1f}" for gain in sure), "|", flush=True
        )
    for series, rows in kept.items():
        told = [
            [gain for gain in column if not np.isnan(gain)] for column in zip(*rows, strict=True)
        ]
        mean = " | ".join(f"{np.mean(gains):+.1f}" if gains else "-" for gains in told)
        print(f"| mean | {series} | | {mean} |")


if __name__ == "__main__":
    main()
