"""The drying clock: equivalent age as published, exact integration, many instruments."""

from __future__ import annotations

import dataclasses
import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from published import near, row, rows
from scipy.integrate import quad

from service.science import drying
from service.science.drying import DryingLaw

R = 8.314462618


def arrhenius(activation_kj_mol: float, reference_c: float = 20.0) -> DryingLaw:
    """Temperature alone: film and humidity factors are 1."""
    return DryingLaw(
        reference_c=reference_c,
        reference_rh_pct=50.0,
        activation_kj_mol=activation_kj_mol,
        film_exponent=0.0,
        reference_film_um=50.0,
        rh_per_pct=0.0,
    )


LAW = DryingLaw(
    reference_c=23.0,
    reference_rh_pct=45.0,
    activation_kj_mol=60.0,
    film_exponent=1.5,
    reference_film_um=40.0,
    rh_per_pct=0.01,
    air_exponent=0.5,
)


def series(seed: int, count: int = 80, step_s: float = 3600.0):
    rng = np.random.default_rng(seed)
    time_s = np.cumsum(rng.uniform(0.01, 2.0, count) * step_s)
    air_c = np.clip(20.0 + 8.0 * rng.standard_normal(count), -40.0, 60.0)
    rh_pct = np.clip(50.0 + 25.0 * rng.standard_normal(count), 0.0, 100.0)
    return time_s, air_c, rh_pct


# --- published figures ---------------------------------------------------------------------------


@pytest.mark.parametrize("row", rows("mat-c1074-5000-.*"))
def test_equivalent_age_of_astm_c1074(row):
    given_ = row["inputs"]
    law = arrhenius(given_["Q_K"] * R / 1000.0, given_["T_ref_C"])
    time_s = np.array([0.0, 1000.0, given_["dt_h"] * 3600.0])
    air_c, rh_pct = np.full(3, given_["T_C"]), np.full(3, 50.0)
    assert drying.equivalent_hours(time_s, air_c, rh_pct, law, 50.0) == near(row)


@pytest.mark.parametrize(
    ("published", "shifted"), [(row("c1074-equivalent-age"), row("mat-c1074-23"))]
)
def test_equivalent_age_per_hour(published, shifted):
    q = 5000.0 * R / 1000.0
    assert drying.rate(arrhenius(q, 20.0), 30.0, 50.0, 50.0) == near(published)
    assert drying.rate(arrhenius(q, 23.0), 20.0, 50.0, 50.0) == near(shifted)


@pytest.mark.parametrize("row", rows("mat-fhp-.*"))
def test_maturity_factor_of_freiesleben_hansen_and_pedersen(row):
    air_c = row["inputs"]["T_C"]
    activation = 33.5 + 1.47 * max(0.0, 20.0 - air_c)
    assert drying.rate(arrhenius(activation), air_c, 50.0, 50.0) == near(row)


@pytest.mark.parametrize("row", rows("mat-ec2-.*"))
def test_temperature_adjusted_age_of_eurocode_2(row):
    # exp(13.65 - 4000/(273 + T)): an Arrhenius law whose factor is 1 at 4000/13.65 K, with 0 °C
    # rounded to 273 K; shifting by the 0.15 K brings it to ours.
    law = arrhenius(4000.0 * R / 1000.0, 4000.0 / 13.65 - 273.15)
    assert drying.rate(law, row["inputs"]["T_C"] - 0.15, 50.0, 50.0) == near(row)


@pytest.mark.parametrize("published", rows("mat-tref-1"))
def test_factor_is_one_at_the_reference(published):
    assert drying.rate(arrhenius(40.0), 20.0, 50.0, 50.0) == near(published)
    assert drying.rate(LAW, 23.0, 45.0, 40.0, 1.0) == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize("row", rows("arr-ncert|arr-303|arr-300|arr-byjus"))
def test_activation_energy_of_textbook_exercises(row):
    given_ = row["inputs"]
    scale = 1000.0 if row["unit"] == "J/mol" else 1.0
    activation = drying.activation_from_ratio(
        given_["T1"] - 273.15, given_["T2"] - 273.15, given_["ratio"]
    )
    assert scale * activation == near(row)


@pytest.mark.parametrize("published", rows("arr-q10-20-30"))
def test_activation_energy_of_a_doubling(published):
    assert drying.activation_from_ratio(20.0, 30.0, 2.0) == near(published)


@pytest.mark.parametrize("row", rows("arr-q10-E.*|arr-evap-.*"))
def test_speed_up_from_20_to_30_degrees(row):
    # The evaporation rows are the same factor with the heat of vaporisation for Ea.
    given_ = row["inputs"]
    activation = given_.get("Ea_kJ_mol", given_.get("Hvap_kJ_mol"))
    assert drying.rate(arrhenius(activation), 30.0, 50.0, 50.0) == near(row)


@pytest.mark.parametrize("row", rows(r"lm-\d+-\d\d-\d\d|lm-5K"))
def test_lifetime_multipliers(row):
    # Michalski's multiplier is (50/RH)^1.3 over the Arrhenius factor; the humidity part is not
    # ours, so it is put in here and the temperature part is what is checked.
    given_ = {"t_C": 15.0, "rh_pct": 50.0, **row["inputs"]}
    speed = drying.rate(arrhenius(given_["Ea_kJ_mol"]), given_["t_C"], 50.0, 50.0)
    assert (50.0 / given_["rh_pct"]) ** 1.3 / speed == near(row)


@pytest.mark.parametrize("published", rows("dry-t2"))
def test_diffusion_limited_drying_goes_with_thickness_squared(published):
    law = dataclasses.replace(LAW, film_exponent=2.0)
    slower = drying.rate(law, 23.0, 45.0, 40.0) / drying.rate(law, 23.0, 45.0, 60.0)
    assert slower == near(published)


# --- exact integration ---------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(6))
def test_integral_against_adaptive_quadrature(seed):
    # SciPy's QUADPACK over the same straight lines, to 1e-12; the promise is 1e-8.
    time_s, air_c, rh_pct = series(seed, 25)

    def speed(t):
        return drying.rate(LAW, np.interp(t, time_s, air_c), np.interp(t, time_s, rh_pct), 55.0)

    expected = sum(
        quad(speed, a, b, epsabs=0, epsrel=1e-12)[0] for a, b in itertools.pairwise(time_s)
    )
    hours = drying.equivalent_hours(time_s, air_c, rh_pct, LAW, 55.0)
    assert hours == pytest.approx(expected / 3600.0, rel=1e-8)


@pytest.mark.parametrize("rise_k", [1e-6, 0.01, 0.2, 0.5, 0.7, 3.0, 30.0, 95.0])
def test_segments_on_both_sides_of_the_change_of_method(rise_k):
    # From almost level to the whole range in one segment, short rule and Gauss-Legendre.
    time_s, rh_pct = np.array([0.0, 3600.0]), np.array([20.0, 20.0 + rise_k / 2.0])
    air_c = np.array([-37.0, -37.0 + rise_k])
    law = dataclasses.replace(LAW, activation_kj_mol=120.0)

    def speed(t):
        return drying.rate(law, np.interp(t, time_s, air_c), np.interp(t, time_s, rh_pct), 40.0)

    expected = quad(speed, 0.0, 3600.0, epsabs=0, epsrel=1e-13, limit=200)[0] / 3600.0
    hours = drying.equivalent_hours(time_s, air_c, rh_pct, law, 40.0)
    assert hours == pytest.approx(expected, rel=1e-8)


@given(
    st.integers(0, 10_000),
    hnp.arrays(float, st.integers(1, 60), elements=st.floats(0.0, 1.0)),
)
def test_no_dependence_on_sampling(seed, where):
    # Readings put in on the straight lines between the given ones change nothing: 1e-7, ten times
    # the promised error of either integral.
    time_s, air_c, rh_pct = series(seed, 12)
    more_s = np.unique(np.append(time_s, time_s[0] + where * (time_s[-1] - time_s[0])))
    more_s = more_s[np.append(True, np.diff(more_s) > 1e-6)]
    hours = drying.equivalent_hours(time_s, air_c, rh_pct, LAW, 55.0)
    again = drying.equivalent_hours(
        more_s, np.interp(more_s, time_s, air_c), np.interp(more_s, time_s, rh_pct), LAW, 55.0
    )
    assert again == pytest.approx(hours, rel=1e-7)


def test_a_fan_switched_between_readings():
    time_s = np.array([0.0, 1800.0, 3600.0])
    air_c, rh_pct, h_ratio = np.full(3, 23.0), np.full(3, 45.0), np.array([1.0, 4.0, 4.0])
    hours = drying.equivalent_hours(time_s, air_c, rh_pct, LAW, 40.0, h_ratio=h_ratio)
    # (h/h_ref)^0.5 goes from 1 to 2 with its logarithm straight: mean 1/ln 2; then stays 2.
    assert hours == pytest.approx(0.5 / math.log(2.0) + 1.0, rel=1e-9)


@given(st.integers(0, 1000))
def test_cumulative_hours_rise_and_end_at_the_whole(seed):
    time_s, air_c, rh_pct = series(seed, 30)
    hours = drying.cumulative_hours(time_s, air_c, rh_pct, LAW, 55.0)
    assert hours[0] == 0.0
    assert np.all(np.diff(hours) > 0.0)
    assert hours[-1] == pytest.approx(
        drying.equivalent_hours(time_s, air_c, rh_pct, LAW, 55.0), rel=1e-12
    )


# --- gaps ----------------------------------------------------------------------------------------


def test_gaps_are_told_apart():
    time_s = np.array([0.0, 600.0, 1200.0, 9000.0, 9600.0])
    air_c, rh_pct = np.full(5, 23.0), np.full(5, 45.0)
    told = drying.elapsed(time_s, air_c, rh_pct, LAW, 40.0, max_gap_s=900.0)
    assert told.gaps == ((1200.0, 9000.0),)
    assert told.gap_s == 7800.0
    assert told.hours == pytest.approx(1800.0 / 3600.0, rel=1e-12)
    assert told.bridged_hours == pytest.approx(7800.0 / 3600.0, rel=1e-12)
    whole = drying.equivalent_hours(time_s, air_c, rh_pct, LAW, 40.0)
    assert told.hours + told.bridged_hours == pytest.approx(whole, rel=1e-12)
    without = drying.elapsed(time_s, air_c, rh_pct, LAW, 40.0, max_gap_s=7800.0)
    assert without.gaps == ()
    assert without.bridged_hours == 0.0


# --- many instruments, and the inverse -----------------------------------------------------------


def test_many_films_from_their_own_starts_as_one_by_one():
    time_s, air_c, rh_pct = series(11, 60)
    rng = np.random.default_rng(12)
    start = rng.uniform(time_s[0], time_s[-1], 40)
    end = start + rng.uniform(0.0, 1.0, 40) * (time_s[-1] - start)
    film = rng.uniform(20.0, 200.0, 40)
    together = drying.hours_between(time_s, air_c, rh_pct, LAW, film, start, end)
    for k in range(40):
        inside = time_s[(time_s > start[k]) & (time_s < end[k])]
        own = np.concatenate([[start[k]], inside, [end[k]]])
        alone = drying.equivalent_hours(
            own, np.interp(own, time_s, air_c), np.interp(own, time_s, rh_pct), LAW, film[k]
        )
        assert together[k] == pytest.approx(alone, rel=1e-7)


@given(st.integers(0, 500), st.floats(0.0, 1.0))
def test_time_to_reach_undoes_the_hours(seed, part):
    time_s, air_c, rh_pct = series(seed, 20, 7200.0)
    whole = drying.equivalent_hours(time_s, air_c, rh_pct, LAW, 55.0)
    at = drying.time_to_reach(time_s, air_c, rh_pct, LAW, 55.0, part * whole)
    passed = drying.hours_between(time_s, air_c, rh_pct, LAW, 55.0, time_s[0], at)
    assert float(passed) == pytest.approx(part * whole, rel=1e-9, abs=1e-9 * whole)


def test_a_mark_beyond_the_series_is_not_reached():
    time_s, air_c, rh_pct = series(1)
    whole = drying.equivalent_hours(time_s, air_c, rh_pct, LAW, 55.0)
    assert drying.time_to_reach(time_s, air_c, rh_pct, LAW, 55.0, whole * 1.001) == math.inf
    assert drying.time_to_reach(time_s, air_c, rh_pct, LAW, 55.0, 0.0) == time_s[0]


def test_one_reading_has_no_hours():
    assert drying.equivalent_hours([5.0], [20.0], [50.0], LAW, 40.0) == 0.0
    assert drying.cumulative_hours([5.0], [20.0], [50.0], LAW, 40.0).tolist() == [0.0]
    assert drying.time_to_reach([5.0], [20.0], [50.0], LAW, 40.0, 1.0) == math.inf
    assert float(drying.hours_between([5.0], [20.0], [50.0], LAW, 40.0, 5.0, 5.0)) == 0.0


# --- what it must do in a shop (common practice) -------------------------------------------------


def test_cold_damp_thick_and_still_are_slower():
    usual = drying.rate(LAW, 22.0, 45.0, 40.0)
    assert drying.rate(LAW, 12.0, 45.0, 40.0) < 0.6 * usual
    assert drying.rate(LAW, 22.0, 80.0, 40.0) < usual
    assert drying.rate(LAW, 22.0, 45.0, 80.0) < 0.5 * usual
    assert drying.rate(LAW, 22.0, 45.0, 40.0, 0.5) < usual


@given(st.floats(-40.0, 59.0), st.floats(0.0, 99.0), st.floats(1.0, 1000.0))
def test_rate_is_positive_and_monotone(air_c, rh_pct, film_um):
    speed = drying.rate(LAW, air_c, rh_pct, film_um)
    assert speed > 0.0
    assert drying.rate(LAW, air_c + 1.0, rh_pct, film_um) > speed
    assert drying.rate(LAW, air_c, rh_pct + 1.0, film_um) < speed
    assert drying.rate(LAW, air_c, rh_pct, 1.1 * film_um) < speed


def test_soft_coats_below_count_as_film():
    assert drying.effective_film(40.0, []) == 40.0
    assert drying.effective_film(40.0, [(40.0, 1.0), (40.0, 7.0)]) == 40.0
    assert drying.effective_film(40.0, [(40.0, 0.0)], weight=0.5) == 60.0
    three = drying.effective_film(40.0, [(40.0, 0.5), (30.0, 0.9)], weight=1.0)
    assert three == pytest.approx(63.0)


def test_rate_takes_arrays_and_scalars_alike():
    air_c = np.array([10.0, 20.0, 30.0])
    together = drying.rate(LAW, air_c, 50.0, 40.0)
    for one, all_at_once in zip(air_c.tolist(), together, strict=True):
        alone = drying.rate(LAW, one, 50.0, 40.0)
        assert type(alone) is float
        assert alone == pytest.approx(all_at_once, rel=1e-14)


TIMES = [0.0, 60.0, 120.0]
TWENTY = [20.0, 20.0, 20.0]


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: drying.rate(LAW, 70.0, 50.0, 40.0), "air_c"),
        (lambda: drying.rate(LAW, 20.0, float("nan"), 40.0), "rh_pct"),
        (lambda: drying.rate(LAW, 20.0, 50.0, -1.0), "film_um"),
        (lambda: drying.rate(LAW, 20.0, 50.0, 40.0, 0.0), "h_ratio"),
        (lambda: dataclasses.replace(LAW, activation_kj_mol=-1.0), "activation_kj_mol"),
        (lambda: dataclasses.replace(LAW, film_exponent=9.0), "film_exponent"),
        (lambda: dataclasses.replace(LAW, reference_film_um=0.0), "reference_film_um"),
        (lambda: dataclasses.replace(LAW, rh_per_pct=1.0), "rh_per_pct"),
        (lambda: drying.activation_from_ratio(20.0, 20.0, 2.0), "high_c"),
        (lambda: drying.activation_from_ratio(20.0, 30.0, 0.0), "ratio"),
        (lambda: drying.equivalent_hours([0.0, 60.0, 60.0], TWENTY, TWENTY, LAW, 40.0), "time_s"),
        (lambda: drying.equivalent_hours([], [], [], LAW, 40.0), "time_s"),
        (lambda: drying.equivalent_hours(TIMES, [20.0, 20.0], TWENTY, LAW, 40.0), "air_c"),
        (lambda: drying.equivalent_hours(TIMES, TWENTY, [50.0], LAW, 40.0), "rh_pct"),
        (
            lambda: drying.equivalent_hours(TIMES, [20.0, math.nan, 20.0], TWENTY, LAW, 40.0),
            "air_c",
        ),
        (lambda: drying.elapsed(TIMES, TWENTY, TWENTY, LAW, 40.0, max_gap_s=0.0), "max_gap_s"),
        (lambda: drying.hours_between(TIMES, TWENTY, TWENTY, LAW, 40.0, -5.0, 60.0), "start_s"),
        (lambda: drying.hours_between(TIMES, TWENTY, TWENTY, LAW, 40.0, 60.0, 30.0), "end_s"),
        (lambda: drying.time_to_reach(TIMES, TWENTY, TWENTY, LAW, 40.0, -1.0), "mark_hours"),
        (lambda: drying.effective_film(40.0, [(-1.0, 0.5)]), "earlier thickness"),
        (lambda: drying.effective_film(40.0, [(30.0, -0.5)]), "earlier clock"),
        (lambda: drying.effective_film(40.0, [], weight=2.0), "weight"),
    ],
)
def test_errors_name_the_argument(call, named):
    with pytest.raises(ValueError, match=named):
        call()
