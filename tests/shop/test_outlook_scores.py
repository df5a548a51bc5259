"""Scores against published values and against the integral that defines them."""

from __future__ import annotations

import itertools
import json
from pathlib import Path

import numpy as np
import pytest
from scipy import integrate, stats

from service.shop.outlook.scores import brier, crps_ensemble, pinball

PUBLISHED = [
    row
    for row in json.loads(
        (Path(__file__).parents[1] / "science" / "check_values.json").read_text(encoding="utf-8")
    )
    if row["topic"] == "11 forecast scoring"
]
FINE = (np.arange(20_000) + 0.5) / 20_000
NORMAL = stats.norm.ppf(FINE)
# 20,000 members leave out the far tails: 2e-5 is what that costs at most near the middle.
AS_MEMBERS = 2e-5


def scored(row):
    given = row["inputs"]
    if "quantile_forecast" in given:
        return float(pinball(given["alpha"], given["quantile_forecast"], given["obs"]))
    if "weights" in given:  # weights of whole shares, as so many equal members
        copies = np.round(np.array(given["weights"]) * 20).astype(int)
        return float(crps_ensemble(np.repeat(given["ensemble"], copies), given["obs"]))
    if "ensemble" in given:
        return float(crps_ensemble(np.array(given["ensemble"]), given["obs"]))
    if "sigma" in given:
        return float(crps_ensemble(given["mu"] + given["sigma"] * NORMAL, given["obs"]))
    if "lower" in given:  # the interval score is its two quantile losses over half its level
        tail = given["alpha"] / 2.0
        low = pinball(tail, given["lower"], given["obs"])
        return float((low + pinball(1.0 - tail, given["upper"], given["obs"])) / tail)
    observed = np.array(given["obs"], dtype=float)
    own = crps_ensemble(np.broadcast_to(NORMAL, (observed.size, NORMAL.size)), observed).mean()
    return 1.0 - own / np.abs(observed - given["baseline"]).mean()


def test_there_are_published_rows():
    assert len(PUBLISHED) >= 12


@pytest.mark.parametrize("row", PUBLISHED, ids=[row["id"] for row in PUBLISHED])
def test_scores_are_as_published(row):
    normal = "sigma" in row["inputs"] or "forecast" in row["inputs"]
    # The published tolerance, but for normal forecasts, which are scored as members here.
    tolerance = AS_MEMBERS if normal else float(row["tolerance"])
    assert scored(row) == pytest.approx(row["expected"], abs=tolerance)


@pytest.mark.parametrize("observed", [-3.0, 0.4, 1.0, 9.0])
def test_score_is_the_integral_of_the_squared_distance_of_distributions(observed):
    """Gneiting and Raftery (2007), eq. 20, by SciPy's quadrature between the jumps."""
    members = np.array([0.5, -1.0, 2.0, 1.0, 0.7])
    jumps = np.sort(np.append(members, observed))
    total = sum(
        integrate.quad(
            lambda x: (np.mean(members <= x) - (observed <= x)) ** 2, low, high, limit=20
        )[0]
        for low, high in itertools.pairwise(jumps)
    )
    assert float(crps_ensemble(members, observed)) == pytest.approx(total, abs=1e-9)  # quadrature


def test_brier_of_a_sure_and_a_split_forecast():
    """Brier (1950): 0 for certain and right, 1 for certain and wrong, a quarter for half."""
    assert brier(np.array([1.0, 0.0]), np.array([1.0, 0.0])) == 0.0
    assert brier(np.array([1.0]), np.array([0.0])) == 1.0
    assert brier(np.full(4, 0.5), np.array([0.0, 1.0, 1.0, 0.0])) == 0.25
