"""First-order uncertainty against Monte Carlo, and its caution at both ends of the RH scale."""

from __future__ import annotations

import numpy as np
import psychrolib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.science import air, uncertainty

psychrolib.SetUnitSystem(psychrolib.SI)

DRAWS = 200_000


def drawn(air_c, rh_pct, air_sd_k, rh_sd_pct):
    """Dew points, and air temperatures, of a sensor with these errors; RH cut to what can be."""
    rng = np.random.default_rng(7)
    t = air_c + air_sd_k * rng.standard_normal(DRAWS)
    rh = np.clip(rh_pct + rh_sd_pct * rng.standard_normal(DRAWS), 0.0, 100.0)
    return t, air.dew_point(t, rh)


# 5 %: curvature of the dew point over a spread of a fifth of the RH at worst (10 % with sd 1.5),
# and the sampling error of a standard deviation from 200,000 draws is 0.2 %.
@pytest.mark.parametrize("air_c", [5.0, 15.0, 24.0, 35.0])
@pytest.mark.parametrize(
    ("rh_pct", "rh_sd_pct"),
    [(10.0, 1.0), (20.0, 2.0), (40.0, 2.0), (60.0, 2.0), (80.0, 3.0), (90.0, 2.0)],
)
@pytest.mark.parametrize("air_sd_k", [0.1, 0.3, 1.0])
def test_first_order_agrees_with_monte_carlo(air_c, rh_pct, rh_sd_pct, air_sd_k):
    t, dew = drawn(air_c, rh_pct, air_sd_k, rh_sd_pct)
    ours = uncertainty.dew_point_sd(air_c, rh_pct, air_sd_k, rh_sd_pct)
    assert ours == pytest.approx(dew.std(), rel=0.05)
    assert uncertainty.margin_sd(air_c, rh_pct, air_sd_k, rh_sd_pct) == pytest.approx(
        (t - dew).std(), rel=0.05
    )
    surface = 18.0 + 0.5 * np.random.default_rng(8).standard_normal(DRAWS)
    assert uncertainty.margin_sd(air_c, rh_pct, air_sd_k, rh_sd_pct, 0.5) == pytest.approx(
        (surface - dew).std(), rel=0.05
    )


def test_monte_carlo_over_another_librarys_dew_point():
    # The same check with no dew point of ours in it: 4,000 draws through PsychroLib give a
    # standard deviation to 1.1 %; 5 % leaves three times that and the curvature.
    rng = np.random.default_rng(3)
    t, rh = 24.0 + 0.3 * rng.standard_normal(4000), 55.0 + 2.0 * rng.standard_normal(4000)
    dew = [psychrolib.GetTDewPointFromRelHum(a, r / 100.0) for a, r in zip(t, rh, strict=True)]
    assert uncertainty.dew_point_sd(24.0, 55.0, 0.3, 2.0) == pytest.approx(np.std(dew), rel=0.05)


@pytest.mark.parametrize("rh_pct", [0.0, 0.2, 1.0, 2.0, 4.0])
@pytest.mark.parametrize("air_c", [5.0, 20.0, 35.0])
def test_near_dry_the_answer_covers_the_upward_reach(air_c, rh_pct):
    # First order fails here; what has to hold is caution: a one-sided standard deviation upwards
    # (84 % quantile) is never understated by more than the 2 % of its sampling.
    _, dew = drawn(air_c, rh_pct, 0.3, 2.0)
    reach = np.quantile(dew, 0.841) - air.dew_point(air_c, rh_pct)
    assert uncertainty.dew_point_sd(air_c, rh_pct, 0.3, 2.0) > 0.98 * reach


@pytest.mark.parametrize("rh_pct", [97.0, 99.0, 100.0])
def test_near_saturation_the_answer_is_not_too_small(rh_pct):
    # Cut at 100 %, the truth is spread less than first order says.
    t, dew = drawn(20.0, rh_pct, 0.3, 2.0)
    assert uncertainty.dew_point_sd(20.0, rh_pct, 0.3, 2.0) >= 0.99 * dew.std()
    assert uncertainty.margin_sd(20.0, rh_pct, 0.3, 2.0) >= 0.99 * (t - dew).std()


@given(st.floats(-20.0, 50.0), st.floats(0.0, 100.0), st.floats(0.0, 2.0), st.floats(0.0, 10.0))
def test_finite_not_negative_and_growing_with_the_sensors(air_c, rh_pct, air_sd_k, rh_sd_pct):
    sd = uncertainty.dew_point_sd(air_c, rh_pct, air_sd_k, rh_sd_pct)
    assert np.isfinite(sd)
    assert 0.0 <= sd <= uncertainty.dew_point_sd(air_c, rh_pct, air_sd_k + 0.5, rh_sd_pct)
    own = uncertainty.margin_sd(air_c, rh_pct, air_sd_k, rh_sd_pct, 0.7)
    assert own == pytest.approx(np.hypot(sd, 0.7), rel=1e-9)


@given(st.floats(-20.0, 50.0), st.floats(10.0, 99.0))
def test_a_shared_air_error_cancels_in_part(air_c, rh_pct):
    # The dew point follows the air's error with nearly its own size, so that the margin of a
    # surface as warm as the air is surer than its dew point.
    assert uncertainty.margin_sd(air_c, rh_pct, 0.5, 0.0) < 0.5
    assert uncertainty.margin_sd(air_c, rh_pct, 0.5, 1.0) < uncertainty.margin_sd(
        air_c, rh_pct, 0.5, 1.0, 0.5
    )


def test_arrays_and_scalars_alike():
    rh = np.array([0.0, 5.0, 50.0, 100.0])
    together = uncertainty.margin_sd(20.0, rh, 0.3, 2.0)
    assert together.shape == (4,)
    for one, all_at_once in zip(rh.tolist(), together, strict=True):
        alone = uncertainty.margin_sd(20.0, one, 0.3, 2.0)
        assert type(alone) is float
        assert alone == pytest.approx(all_at_once, rel=1e-12)


@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        ((80.0, 50.0, 0.3, 2.0), "air_c"),
        ((20.0, 101.0, 0.3, 2.0), "rh_pct"),
        ((20.0, 50.0, -0.1, 2.0), "air_sd_k"),
        ((20.0, 50.0, 0.3, float("nan")), "rh_sd_pct"),
        ((20.0, 50.0, 0.3, 2.0, -1.0), "surface_sd_k"),
    ],
)
def test_errors_name_the_argument(arguments, named):
    with pytest.raises(ValueError, match=named):
        uncertainty.margin_sd(*arguments)
