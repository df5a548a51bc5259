"""Rates of flaws and the shop's own limits."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from service.shop.compare import by_bins, rate_interval, split

CEILINGS = [45.0, 50.0, 55.0, 60.0, 65.0, 70.0]


@pytest.mark.parametrize(("flawed", "coats"), [(1, 10), (3, 12), (7, 9), (20, 400)])
def test_intervals_are_those_of_a_reference_library(flawed: int, coats: int) -> None:
    """Jeffreys interval by scipy.stats, whose beta distribution is not ours."""
    low, high = rate_interval(flawed, coats, 0.9)
    want = stats.beta(flawed + 0.5, coats - flawed + 0.5).ppf([0.05, 0.95])
    assert (low, high) == pytest.approx(tuple(want), rel=1e-9)


def test_none_and_all_leave_the_end_open() -> None:
    assert rate_interval(0, 5)[0] == 0.0
    assert rate_interval(5, 5)[1] == 1.0
    assert rate_interval(0, 5)[1] > 0.2  # five clean coats prove little


@given(st.integers(1, 60), st.data())
def test_an_interval_holds_its_rate(coats: int, data: st.DataObject) -> None:
    flawed = data.draw(st.integers(0, coats))
    low, high = rate_interval(flawed, coats)
    assert 0.0 <= low <= flawed / coats <= high <= 1.0


def test_jeffreys_intervals_cover_what_they_say_on_average() -> None:
    """Brown, Cai and DasGupta: mean coverage near the nominal, for small numbers too."""
    coats, rates = 12, np.linspace(0.05, 0.95, 91)
    ranges = [rate_interval(k, coats) for k in range(coats + 1)]
    covered = [
        sum(
            stats.binom(coats, rate).pmf(k)
            for k, (low, high) in enumerate(ranges)
            if low <= rate <= high
        )
        for rate in rates
    ]
    assert np.mean(covered) == pytest.approx(0.8, abs=0.03)


def test_every_coat_is_in_one_bin_and_the_unknown_in_none() -> None:
    values = np.array([30.0, 45.0, 44.9, 70.0, math.nan])
    flawed = np.array([False, True, False, True, True])
    bins = by_bins(values, flawed, [45.0, 60.0])
    assert [(b.coats, b.flawed) for b in bins] == [(2, 0), (1, 1), (1, 1)]
    assert [(b.low, b.high) for b in bins] == [(None, 45.0), (45.0, 60.0), (60.0, None)]
    empty = by_bins(values, flawed, [80.0])[1]
    assert math.isnan(empty.rate)
    assert (empty.rate_low, empty.rate_high) == (0.0, 1.0)


def shop(rng: np.random.Generator, coats: int, limit: float, low: float, high: float):
    rh = rng.uniform(35.0, 78.0, coats)
    return rh, rng.random(coats) < np.where(rh > limit, high, low)


def test_a_clear_limit_is_found_where_it_lies() -> None:
    rng = np.random.default_rng(1)
    found = [split(*shop(rng, 80, 60.0, 0.02, 0.6), CEILINGS, "below") for _ in range(50)]
    there = [f for f in found if f is not None]
    assert len(there) >= 48
    assert np.mean([f.at == 60.0 for f in there]) > 0.8
    assert all(f.kept_flawed / f.kept < f.refused_flawed / f.refused for f in there)


def test_where_air_makes_no_difference_none_is_suggested() -> None:
    rng = np.random.default_rng(2)
    found = [split(*shop(rng, 80, 60.0, 0.15, 0.15), CEILINGS, "below") for _ in range(300)]
    # Told with 90 % or more; among equals of both kinds at most one in ten would be wrong.
    assert np.mean([f is not None for f in found]) < 0.02


def test_a_floor_is_a_ceiling_turned_round() -> None:
    rng = np.random.default_rng(3)
    rh, flawed = shop(rng, 80, 60.0, 0.02, 0.6)
    up, down = (
        split(rh, flawed, CEILINGS, "below"),
        split(-rh, flawed, [-c for c in CEILINGS], "above"),
    )
    assert up is not None
    assert down is not None
    assert (up.at, up.kept, up.probability) == (
        -down.at,
        down.kept,
        pytest.approx(down.probability),
    )


def test_more_flaws_on_the_side_kept_are_no_limit() -> None:
    rng = np.random.default_rng(4)
    rh, flawed = shop(rng, 80, 60.0, 0.6, 0.02)
    assert split(rh, flawed, CEILINGS, "below") is None


@pytest.mark.parametrize("coats", [0, 5, 40])
def test_a_few_flaws_suggest_nothing(coats: int) -> None:
    rh = np.linspace(35.0, 75.0, coats)
    assert split(rh, np.arange(coats) >= coats - 2, CEILINGS, "below") is None
