"""Blush risk against Monte Carlo, and its limits."""

from __future__ import annotations

import numpy as np
import pytest
from blends import NITROCELLULOSE_AEROSOL, NITROCELLULOSE_GUN
from hypothesis import given, settings
from hypothesis import strategies as st

from service.science import air, film

USUAL = {"wet_um": 100.0, "h_w_m2k": 10.0, "plate_mm": 3.0}
SENSOR = {"air_sd_k": 0.3, "rh_sd_pct": 2.0}


@pytest.mark.parametrize(
    ("blend", "air_c", "rh_pct", "surface_c"),
    [
        (NITROCELLULOSE_GUN, 24.0, 55.0, None),
        (NITROCELLULOSE_GUN, 20.0, 70.0, None),
        (NITROCELLULOSE_GUN, 22.0, 60.0, 20.0),
        (NITROCELLULOSE_AEROSOL, 26.0, 45.0, None),
    ],
)
def test_against_monte_carlo(blend, air_c, rh_pct, surface_c):
    """Draw the errors of sensor and model and count: 0.025 of probability, 10 % of the spread.

    4000 draws are good to 0.008; the rest is the bend of the dew point, which the risk takes as
    straight.
    """
    rng = np.random.default_rng(11)
    count, model_sd_k = 4000, 1.2
    airs = air_c + SENSOR["air_sd_k"] * rng.normal(size=count)
    rhs = np.clip(rh_pct + SENSOR["rh_sd_pct"] * rng.normal(size=count), 0.0, 100.0)
    surfaces = airs if surface_c is None else np.full(count, surface_c)
    found = film.floor(blend, airs, rhs, surface_c=surfaces, **USUAL)
    margins = found.film_floor_c - air.dew_point(airs, rhs) + model_sd_k * rng.normal(size=count)
    risk = film.blush_risk(
        blend, air_c, rh_pct, model_sd_k=model_sd_k, surface_c=surface_c, **SENSOR, **USUAL
    )
    assert risk.probability == pytest.approx((margins < 0.0).mean(), abs=0.025)
    assert risk.blush_margin_sd_k == pytest.approx(margins.std(), rel=0.10)
    assert risk.blush_margin_k == pytest.approx(
        film.floor(blend, air_c, rh_pct, surface_c=surface_c, **USUAL).film_floor_c
        - air.dew_point(air_c, rh_pct)
    )


def test_expected_water_against_monte_carlo():
    """With the model taken as exact the expectation is that over the sensor's errors: 10 %."""
    rng = np.random.default_rng(5)
    airs = 24.0 + 0.3 * rng.normal(size=3000)
    rhs = 68.0 + 2.0 * rng.normal(size=3000)
    caught = film.floor(NITROCELLULOSE_GUN, airs, rhs, **USUAL).condensed_at_set_g_m2.mean()
    risk = film.blush_risk(NITROCELLULOSE_GUN, 24.0, 68.0, model_sd_k=0.0, **SENSOR, **USUAL)
    assert risk.expected_condensed_g_m2 == pytest.approx(caught, rel=0.10)


def test_no_doubt_leaves_no_doubt():
    exact = {"air_sd_k": 0.0, "rh_sd_pct": 0.0, "model_sd_k": 0.0}
    dry, damp = (
        film.blush_risk(NITROCELLULOSE_GUN, 24.0, rh, **exact, **USUAL) for rh in (30.0, 90.0)
    )
    assert (dry.probability, damp.probability) == (0.0, 1.0)
    assert dry.blush_margin_sd_k == 0.0
    assert dry.expected_condensed_g_m2 == pytest.approx(0.0, abs=1e-9)
    assert damp.expected_condensed_g_m2 > 1.0


def test_more_doubt_brings_the_risk_towards_even():
    few, more = (
        film.blush_risk(NITROCELLULOSE_GUN, 24.0, 45.0, model_sd_k=s, **SENSOR, **USUAL)
        for s in (0.5, 3.0)
    )
    assert few.probability < more.probability < 0.5


def test_bone_dry_and_saturated_air():
    dry, full = (
        film.blush_risk(NITROCELLULOSE_GUN, 20.0, rh, **SENSOR, **USUAL) for rh in (0.0, 100.0)
    )
    assert dry.probability < 1e-6
    assert full.probability > 0.9


def test_arrays_equal_scalars():
    rhs = np.array([[40.0, 60.0], [75.0, 90.0]])
    together = film.blush_risk(NITROCELLULOSE_GUN, 23.0, rhs, **SENSOR, **USUAL)
    alone = film.blush_risk(NITROCELLULOSE_GUN, 23.0, 60.0, **SENSOR, **USUAL)
    assert together.probability.shape == (2, 2)
    assert isinstance(alone.probability, float)
    assert together.probability[0, 1] == pytest.approx(alone.probability, abs=1e-9)
    assert together.expected_condensed_g_m2[0, 1] == pytest.approx(alone.expected_condensed_g_m2)


@settings(max_examples=12)
@given(st.floats(8.0, 37.0), st.floats(5.0, 93.0))
def test_damper_air_is_riskier(air_c, rh_pct):
    rhs = np.array([rh_pct, rh_pct + 5.0])
    first, damper = film.blush_risk(NITROCELLULOSE_GUN, air_c, rhs, **SENSOR, **USUAL).probability
    assert 0.0 <= first <= damper + 1e-6 <= 1.0 + 1e-6


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"air_sd_k": -0.1}, "air_sd_k"),
        ({"rh_sd_pct": float("nan")}, "rh_sd_pct"),
        ({"model_sd_k": 11.0}, "model_sd_k"),
        ({"wet_um": 3.0}, "wet_um"),
    ],
)
def test_errors_name_what_is_wrong(changes, named):
    with pytest.raises(ValueError, match=named):
        film.blush_risk(NITROCELLULOSE_GUN, 24.0, 50.0, **(SENSOR | USUAL | changes))
