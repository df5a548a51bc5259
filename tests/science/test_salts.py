"""Salt fixed points as published, and the two-jar check."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from published import near, rows

from service.science import salts

BY_FORMULA = {salt.formula: name for name, salt in salts.SALTS.items()}


def name_of(row):
    salt = row["inputs"]["salt"]
    return BY_FORMULA.get(salt, salt)


@pytest.mark.parametrize("row", rows(r"salt-(?!crc)[A-Z].*|salt-[a-z]+-[a-z]+-\d\d"))
def test_equilibrium_rh_as_published(row):
    assert salts.equilibrium_rh(name_of(row), row["inputs"]["t_C"]) == near(row)


@pytest.mark.parametrize("row", rows(r"salt-(?!crc)[A-Z].*"))
def test_equilibrium_rh_to_the_last_digit_of_the_table(row):
    # Beyond the published uncertainty: the fit reproduces the table, which is printed to 0.01.
    rh = salts.equilibrium_rh(name_of(row), row["inputs"]["t_C"])
    assert rh == pytest.approx(row["expected"], abs=0.011)


@pytest.mark.parametrize("row", rows(r"salt-(?!crc)[A-Z].*"))
def test_published_uncertainty_as_published(row):
    printed = float(row["tolerance"].split()[0].lstrip("±"))
    sd = salts.published_uncertainty(name_of(row), row["inputs"]["t_C"])
    assert sd == pytest.approx(printed, abs=1e-9)


@pytest.mark.parametrize("row", rows(r"salt-crc-.*-\d+"))
def test_crc_fit_as_published(row):
    # Of the two tolerances, the one for the fit.
    rh = salts.crc_equilibrium_rh(name_of(row), row["inputs"]["t_C"])
    assert rh == near(row, tolerance="±0.02 for the fit itself")


@pytest.mark.parametrize("published", rows("salt-crc-KCl-ex"))
def test_crc_worked_example(published):
    assert salts.crc_equilibrium_rh("potassium chloride", 298.0 - 273.15) == near(published)


@pytest.mark.parametrize("row", rows("salt-crc25-.*"))
def test_crc_rounded_column(row):
    assert salts.crc_equilibrium_rh(name_of(row), 25.0) == near(row)
    assert salts.equilibrium_rh(name_of(row), 25.0) == near(row)


def test_the_two_sources_agree():
    # ±2 % RH is the CRC's own accuracy. From 15 °C, where the published rows begin: colder, its
    # magnesium nitrate falls 2.4 % RH short of Greenspan's.
    for salt, (_, _, low, high) in salts.CRC_FITS.items():
        t = np.linspace(max(low, 15.0), min(high, 30.0), 21)
        gap = np.abs(salts.equilibrium_rh(salt, t) - salts.crc_equilibrium_rh(salt, t))
        assert gap.max() < 2.0, salt


# --- two jars ------------------------------------------------------------------------------------


def check(low=35.0, high=78.0, **more):
    return salts.two_jar_check(
        ("magnesium chloride", 22.0, low), ("sodium chloride", 22.0, high), **more
    )


def test_a_true_sensor_needs_no_correction():
    low = salts.equilibrium_rh("magnesium chloride", 22.0)
    high = salts.equilibrium_rh("sodium chloride", 22.0)
    found = check(low, high)
    assert found.slope == pytest.approx(1.0, abs=1e-12)
    assert found.offset_pct == pytest.approx(0.0, abs=1e-10)


@given(st.floats(0.85, 1.15), st.floats(-6.0, 6.0))
def test_a_bent_sensor_is_straightened(gain, offset):
    truth = np.array(
        [
            salts.equilibrium_rh("magnesium chloride", 22.0),
            salts.equilibrium_rh("sodium chloride", 22.0),
        ]
    )
    readings = gain * truth + offset
    if np.abs(readings - truth).max() > 14.9 or readings.max() > 100.0:
        return
    found = check(*readings.tolist())
    np.testing.assert_allclose(found.corrected(readings), truth, atol=1e-9)
    assert found.slope == pytest.approx(1.0 / gain, rel=1e-9)


def test_uncertainty_against_monte_carlo():
    # Both jars drawn anew: salt within its published half width, reading and jar temperature
    # normal. 2 % is the sampling of 100,000 draws and the slope's curvature.
    rng = np.random.default_rng(9)
    n = 100_000
    found = check(34.0, 77.0, reading_sd_pct=0.4, jar_sd_k=0.2)
    slopes, offsets, mids = [], [], []
    drawn = []
    for salt, reading in (("magnesium chloride", 34.0), ("sodium chloride", 77.0)):
        truth = salts.equilibrium_rh(salt, 22.0)
        u = salts.published_uncertainty(salt, 22.0)
        # A sensor warmer than the solution by dt sees less RH: 6.2 % of it for each K.
        warm = 0.2 * rng.standard_normal(n)
        seen = truth * (1.0 - 0.0617 * warm) + rng.uniform(-u, u, n)
        drawn.append((reading + 0.4 * rng.standard_normal(n), seen))
    (r1, t1), (r2, t2) = drawn
    slopes = (t2 - t1) / (r2 - r1)
    offsets = t1 - slopes * r1
    mids = slopes * 60.0 + offsets
    assert found.slope_sd == pytest.approx(slopes.std(), rel=0.06)
    assert found.offset_sd_pct == pytest.approx(offsets.std(), rel=0.06)
    assert found.corrected_sd(60.0) == pytest.approx(mids.std(), rel=0.06)


def test_surest_between_the_jars():
    found = check()
    sd = found.corrected_sd(np.array([5.0, 35.0, 55.0, 78.0, 98.0]))
    assert sd[2] < sd[1] < sd[0]
    assert sd[2] < sd[3] < sd[4]


def test_corrected_stays_within_bounds():
    found = check(30.0, 77.0)
    rh = found.corrected(np.array([0.0, 50.0, 100.0]))
    assert rh.min() >= 0.0
    assert rh.max() <= 100.0
    assert type(found.corrected(50.0)) is float


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: salts.equilibrium_rh("table salt", 20.0), "salt must be one of"),
        (lambda: salts.equilibrium_rh("sodium chloride", -5.0), "temperature_c"),
        (lambda: salts.equilibrium_rh("potassium carbonate", 31.0), "temperature_c"),
        (lambda: salts.crc_equilibrium_rh("potassium carbonate", 20.0), "salt must be one of"),
        (lambda: salts.published_uncertainty("sodium chloride", 35.0), "temperature_c"),
        (lambda: check(76.0, 33.0), "low reading"),
        (lambda: check(float("nan")), "low reading"),
        (lambda: check(34.0, 101.0), "high reading"),
        (lambda: check(reading_sd_pct=-1.0), "reading_sd_pct"),
        (
            lambda: salts.two_jar_check(
                ("sodium chloride", 22.0, 75.0), ("potassium chloride", 22.0, 85.0)
            ),
            "high must be a salt at least 20",
        ),
        (lambda: check().corrected(120.0), "rh_pct"),
    ],
)
def test_errors_name_the_argument(call, named):
    with pytest.raises(ValueError, match=named):
        call()
