"""Moist air against the ASHRAE handbook, IAPWS, CoolProp, MetPy and PsychroLib."""

from __future__ import annotations

import re

import iapws
import numpy as np
import psychrolib
import pytest
from CoolProp.HumidAirProp import HAPropsSI
from hypothesis import given
from hypothesis import strategies as st
from published import near, row, rows

from service.science import air

psychrolib.SetUnitSystem(psychrolib.SI)

AIR_C = st.floats(-40.0, 60.0)
RH_PCT = st.floats(0.01, 100.0)
PRESSURE_PA = st.floats(50_000.0, 110_000.0)


# --- published figures ---------------------------------------------------------------------------


@pytest.mark.parametrize("row", rows("psy-ashrae-pws-.*|psub-iapws-(0|-10)"))
def test_saturation_pressure_as_published(row):
    assert air.saturation_pressure(row["inputs"]["t_C"]) == near(row)


@pytest.mark.parametrize("row", rows("pws-if97-.*|psub-iapws--[23]0"))
def test_saturation_pressure_beside_the_iapws_formulation(row):
    # These rows' figures are IAPWS's and their tolerances for codes of IAPWS. Ours is the
    # Hyland-Wexler form of ASHRAE: its figure for the same point stands in the row's note, and
    # must come out to the last printed digit; from IAPWS it may differ by the formulations'
    # spread, 0.03 %.
    ours = air.saturation_pressure(row["inputs"]["t_C"])
    printed = re.search(r"psychrolib 2\.5\.0 (?:\(Hyland-Wexler\) )?([\d.]+\d)", row["note"])[1]
    assert ours == pytest.approx(float(printed), abs=0.6 * 10.0 ** -len(printed.split(".")[1]))
    assert ours == pytest.approx(row["expected"], rel=3e-4)


@pytest.mark.parametrize("row", rows("psy-ashrae-ws-.*"))
def test_humidity_ratio_at_saturation_as_published(row):
    given_ = row["inputs"]
    assert air.humidity_ratio(given_["t_C"], 100.0, given_["p_Pa"]) == near(row)


@pytest.mark.parametrize("row", rows("psy-ashrae-hs-.*"))
def test_enthalpy_at_saturation_as_published(row):
    given_ = row["inputs"]
    w = air.humidity_ratio(given_["t_C"], 100.0, given_["p_Pa"])
    assert air.enthalpy(given_["t_C"], w) == near(row)


@pytest.mark.parametrize("row", rows("psy-ashrae-stdp-.*"))
def test_pressure_at_altitude_as_published(row):
    assert air.pressure_at_altitude(row["inputs"]["z_m"]) == near(row)


@pytest.mark.parametrize("row", rows("psy-ashrae-ex1-w|psy-wb-w-2"))
def test_humidity_ratio_from_wet_bulb_as_published(row):
    given_ = row["inputs"]
    w = air.humidity_ratio_at_wet_bulb(given_["t_C"], given_["twb_C"], given_["p_Pa"])
    assert w == near(row)


@pytest.mark.parametrize("published", rows("psy-ashrae-ex1-rh"))
def test_relative_humidity_of_the_handbook_example(published):
    given_ = published["inputs"]
    w = air.humidity_ratio_at_wet_bulb(given_["t_C"], given_["twb_C"], given_["p_Pa"])
    assert air.relative_humidity(given_["t_C"], w, given_["p_Pa"]) == near(published)


@pytest.mark.parametrize(("dense", "warm"), [(row("psy-moist-dens"), row("psy-moist-h"))])
def test_density_and_enthalpy_as_published(dense, warm):
    assert air.density(30.0, 0.02, 95461.0) == near(dense)
    assert air.enthalpy(30.0, 0.02) == near(warm)


@pytest.mark.parametrize("published", rows("psy-dry-v"))
def test_dry_air_volume_as_published(published):
    given_ = published["inputs"]
    assert 1.0 / air.density(given_["t_C"], 0.0, given_["p_Pa"]) == near(published)


@pytest.mark.parametrize("row", rows(r"dp-\d.*|cond-dp-.*|cond-doerken"))
def test_dew_point_as_published(row):
    assert air.dew_point(row["inputs"]["t_C"], row["inputs"]["rh_pct"]) == near(row)


@pytest.mark.parametrize("published", rows("psy-treybal-7.6-td"))
def test_dew_point_of_a_chart_example(published):
    assert air.dew_point_of_ratio(0.03, published["inputs"]["p_Pa"]) == near(published)


@pytest.mark.parametrize("row", rows("wb-.*"))
def test_wet_bulb_as_published(row):
    given_ = row["inputs"]
    assert air.wet_bulb(given_["t_C"], given_["rh_pct"], given_["p_Pa"]) == near(row)


@pytest.mark.parametrize("row", rows(r"w-\d.*"))
def test_humidity_ratio_as_published(row):
    given_ = row["inputs"]
    w = air.humidity_ratio(given_["t_C"], given_["rh_pct"], given_["p_Pa"])
    assert 1000.0 * w == near(row)


@pytest.mark.parametrize("row", rows("ah-.*"))
def test_absolute_humidity_as_published(row):
    given_ = row["inputs"]
    assert 1000.0 * air.absolute_humidity(given_["t_C"], given_["rh_pct"]) == near(row)


@pytest.mark.parametrize(("vapour", "saturated"), [(row("metpy-3"), row("metpy-4"))])
@pytest.mark.parametrize(("by_dew", "by_ratio"), [(row("metpy-6"), row("metpy-7"))])
def test_metpy_documentation_examples(vapour, saturated, by_dew, by_ratio):
    # Mixing ratio is the humidity ratio; pressures there in hPa.
    pressure_pa = air.saturation_pressure(25.0) * air.relative_humidity(25.0, 0.018, 98800.0) / 100
    assert pressure_pa / 100.0 == near(vapour)
    assert 1000.0 * air.humidity_ratio(25.0, 100.0, 98300.0) == near(saturated)
    assert air.rh_at_dew_point(25.0, 12.0) == near(by_dew)
    assert air.relative_humidity(30.0, 0.018, 101325.0) == near(by_ratio)


@pytest.mark.parametrize("row", rows("cond-spread-.*"))
def test_rh_at_a_surface_above_the_dew_point(row):
    surface_c = (np.linspace(40.0, 100.0, 121) - 32.0) / 1.8
    rh = air.rh_at_dew_point(surface_c, surface_c - row["inputs"]["spread_F"] / 1.8)
    assert rh.min() == near(row, row["expected"][0])
    assert rh.max() == near(row, row["expected"][1])


@pytest.mark.parametrize("published", rows("cond-evap-blush"))
def test_film_below_the_dew_point_is_found(published):
    given_ = published["inputs"]
    below_k = air.dew_point(given_["t_C"], given_["rh_pct"]) - given_["film_C"]
    assert below_k == near(published, 0.7)


# --- reference libraries, over the whole range ---------------------------------------------------

GRID_C, GRID_PCT = (
    a.ravel()
    for a in np.meshgrid(
        np.linspace(-40.0, 60.0, 51), [0.1, 1.0, 5.0, 20.0, 40.0, 60.0, 80.0, 95.0, 99.0, 100.0]
    )
)


def test_dew_point_grid_against_psychrolib():
    # Same equations, iterated there to 1e-3 K by Newton steps that end far closer: 2e-6 K.
    expected = [
        psychrolib.GetTDewPointFromRelHum(t, r / 100.0)
        for t, r in zip(GRID_C, GRID_PCT, strict=True)
    ]
    np.testing.assert_allclose(air.dew_point(GRID_C, GRID_PCT), expected, atol=2e-6, rtol=0)


@pytest.mark.parametrize("pressure_pa", [60_000.0, 85_000.0, 101_325.0])
def test_wet_bulb_grid_against_psychrolib(pressure_pa):
    # 1e-3 K is where its bisection stops. Where both a wet and an iced bulb are in balance it
    # answers with either, so there its humidity ratio from our wet bulb must be the air's.
    ours = air.wet_bulb(GRID_C, GRID_PCT, pressure_pa)
    theirs = np.array(
        [
            psychrolib.GetTWetBulbFromRelHum(t, r / 100.0, pressure_pa)
            for t, r in zip(GRID_C, GRID_PCT, strict=True)
        ]
    )
    ambiguous = (np.minimum(ours, theirs) < 0.0) & (np.maximum(ours, theirs) >= 0.0)
    assert ambiguous.sum() <= 3
    np.testing.assert_allclose(ours[~ambiguous], theirs[~ambiguous], atol=1e-3, rtol=0)
    for t, r, bulb in zip(GRID_C, GRID_PCT, ours, strict=True):
        w = psychrolib.GetHumRatioFromTWetBulb(t, bulb, pressure_pa)
        assert w == pytest.approx(
            max(psychrolib.GetHumRatioFromRelHum(t, r / 100.0, pressure_pa), 1e-7), abs=2e-8
        )


def test_ratios_density_and_enthalpy_grid_against_psychrolib():
    # Same equations: rounding only.
    for t, r in zip(GRID_C[::7], GRID_PCT[::7], strict=True):
        w = psychrolib.GetHumRatioFromRelHum(t, r / 100.0, 90_000.0)
        assert air.humidity_ratio(t, r, 90_000.0) == pytest.approx(w, rel=1e-9, abs=1e-7)
        assert air.enthalpy(t, w) == pytest.approx(
            psychrolib.GetMoistAirEnthalpy(t, w), rel=1e-9, abs=1e-6
        )
        # The handbook rounds 1/0.621945 to 1.607858: 3e-8 of the density.
        assert air.density(t, w, 90_000.0) == pytest.approx(
            psychrolib.GetMoistAirDensity(t, w, 90_000.0), rel=1e-6
        )
        assert air.vapour_pressure_deficit(t, r) == pytest.approx(
            psychrolib.GetVaporPressureDeficit(
                t, psychrolib.GetHumRatioFromRelHum(t, r / 100.0, 9e4), 9e4
            ),
            abs=0.02,  # its humidity ratio is floored at 1e-7
        )


def test_saturation_grid_against_iapws():
    # IAPWS R14-08 over ice, IF97 over water: both newer than Hyland-Wexler. The formulations
    # are 0.02 % apart over water and 0.032 % over ice at -40 °C.
    ice_c = np.linspace(-40.0, 0.0, 41)
    over_ice = [1e6 * iapws._Sublimation_Pressure(t + 273.15) for t in ice_c]
    np.testing.assert_allclose(air.saturation_pressure(ice_c), over_ice, rtol=3.5e-4)
    water_c = np.linspace(0.02, 60.0, 61)
    over_water = [1e6 * iapws.iapws97._PSat_T(t + 273.15) for t in water_c]
    np.testing.assert_allclose(air.saturation_pressure(water_c), over_water, rtol=3e-4)


def test_grid_against_real_moist_air_of_coolprop():
    # CoolProp has real-gas moist air (enhancement factor, virial terms); ours is ideal-gas. The
    # differences are those of the two models, as ASHRAE states them: dew point and wet bulb within
    # 0.03 K, humidity ratio within 0.7 %, density within 0.1 %, enthalpy within 1.6 kJ/kg.
    for t in np.linspace(-20.0, 55.0, 16):
        for rh in (5.0, 20.0, 50.0, 80.0, 99.0):
            state = ("T", t + 273.15, "P", 101_325.0, "R", rh / 100.0)
            w = HAPropsSI("W", *state)
            ours = air.humidity_ratio(t, rh)
            assert air.dew_point(t, rh) == pytest.approx(HAPropsSI("D", *state) - 273.15, abs=0.03)
            assert air.wet_bulb(t, rh) == pytest.approx(HAPropsSI("B", *state) - 273.15, abs=0.03)
            assert ours == pytest.approx(w, rel=0.007)
            assert air.density(t, ours) == pytest.approx(
                (1.0 + w) / HAPropsSI("V", *state), rel=1e-3
            )
            assert air.enthalpy(t, ours) == pytest.approx(HAPropsSI("H", *state), abs=1600.0)


def test_dew_point_grid_against_metpy():
    # MetPy's closed forms err more than ours: against IAPWS its saturation pressure is up to 0.41 %
    # low at 40 °C (0.08 K of dew point) and its inverse, Bolton's, up to 0.03 K off. 0.11 K is the
    # sum. Over water only, so for dew points above freezing.
    from metpy.calc import dewpoint_from_relative_humidity
    from metpy.units import units

    t, rh = (a.ravel() for a in np.meshgrid(np.linspace(5.0, 40.0, 36), np.linspace(20, 100, 17)))
    theirs = dewpoint_from_relative_humidity(
        units.Quantity(t, "degC"), units.Quantity(rh, "percent")
    ).m_as("degC")
    ours = air.dew_point(t, rh)
    liquid = ours > 0.02
    assert liquid.sum() > 400
    np.testing.assert_allclose(ours[liquid], theirs[liquid], atol=0.11, rtol=0)


# --- properties ----------------------------------------------------------------------------------


@given(AIR_C, RH_PCT)
def test_dew_point_inverts_saturation_to_a_millionth_of_a_kelvin(air_c, rh_pct):
    dew = air.dew_point(air_c, rh_pct)
    slope = 0.05  # least slope of ln(ps), 1/K, over the range
    if dew > air.LOWEST_DEW_POINT_C:
        assert abs(np.log(air.rh_at_dew_point(air_c, dew) / rh_pct)) < 1e-6 * slope * 2.4


def test_dew_point_is_within_a_millionth_of_a_kelvin_everywhere():
    # Independent inversion: bisection of the saturation pressure itself.
    rng = np.random.default_rng(20)
    air_c, rh = rng.uniform(-40, 60, 20_000), 10.0 ** rng.uniform(-1.9, 2, 20_000)
    wanted = np.asarray(air.vapour_pressure(air_c, rh))
    low, high = np.full(air_c.shape, -100.0), air_c.copy()
    for _ in range(60):
        middle = 0.5 * (low + high)
        below = air.rh_at_dew_point(20.0, middle) / 100.0 * air.saturation_pressure(20.0) < wanted
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    reached = wanted > air.vapour_pressure(20.0, 6.1e-5)
    np.testing.assert_allclose(air.dew_point(air_c, rh)[reached], high[reached], atol=5e-7, rtol=0)


@given(AIR_C, st.floats(0.0, 100.0), st.floats(0.0, 10.0))
def test_dew_point_rises_with_humidity_and_never_passes_the_air(air_c, rh_pct, more):
    drier, damper = air.dew_point(air_c, rh_pct), air.dew_point(air_c, min(100.0, rh_pct + more))
    assert air.LOWEST_DEW_POINT_C <= drier <= damper + 1e-9 <= air_c + 1e-9


def test_dew_point_and_saturation_are_continuous_at_freezing():
    t = 0.0100006 + np.linspace(-1e-6, 1e-6, 101)
    assert np.all(np.diff(air.saturation_pressure(t)) > -1e-9)
    rh = np.linspace(26.1, 26.2, 20_001)  # the dew point passes 0.01 °C near 26.14 % at 20 °C
    dew = air.dew_point(20.0, rh)
    assert dew[0] < 0.0 < dew[-1]
    steps = np.diff(dew)
    assert steps.min() > -1e-9
    assert steps.max() < 3e-6  # 5e-6 % RH is 2.6e-6 K at most, 1/(26 * 0.072) K per %


def test_dry_air_has_the_lowest_dew_point_and_harms_nothing():
    assert air.dew_point(20.0, 0.0) == air.LOWEST_DEW_POINT_C == -100.0
    assert air.dew_point_of_ratio(0.0) == -100.0
    assert air.humidity_ratio(20.0, 0.0) == 0.0
    assert air.absolute_humidity(20.0, 0.0) == 0.0
    assert air.vapour_pressure_deficit(20.0, 0.0) == air.saturation_pressure(20.0)
    assert -40.0 < air.wet_bulb(20.0, 0.0) < 20.0


@given(AIR_C, RH_PCT, PRESSURE_PA)
def test_humidity_ratio_and_back(air_c, rh_pct, pressure_pa):
    w = air.humidity_ratio(air_c, rh_pct, pressure_pa)
    assert air.relative_humidity(air_c, w, pressure_pa) == pytest.approx(rh_pct, rel=1e-9)
    dew = air.dew_point(air_c, rh_pct)
    assert air.dew_point_of_ratio(w, pressure_pa) == pytest.approx(dew, abs=1e-6)


@given(AIR_C, st.floats(0.0, 100.0), PRESSURE_PA)
def test_wet_bulb_lies_between_and_gives_the_ratio_back(air_c, rh_pct, pressure_pa):
    bulb = air.wet_bulb(air_c, rh_pct, pressure_pa)
    w = air.humidity_ratio(air_c, rh_pct, pressure_pa)
    assert bulb <= air_c + 1e-9
    # Dew point below the wet bulb, but for the roundings of the handbook's two equations for the
    # latent heat: up to 2e-4 K at saturation.
    assert air.dew_point(air_c, rh_pct) <= bulb + 1e-3
    if bulb >= -40.0:
        back = air.humidity_ratio_at_wet_bulb(air_c, bulb, pressure_pa)
        assert back == pytest.approx(w, abs=1e-11)


@given(AIR_C, st.floats(0.0, 99.0), st.floats(0.01, 1.0))
def test_wet_bulb_rises_with_humidity(air_c, rh_pct, more):
    assert air.wet_bulb(air_c, rh_pct + more) > air.wet_bulb(air_c, rh_pct)


@given(st.floats(-20.0, 40.0), st.floats(1.0, 100.0), st.floats(-15.0, 20.0))
def test_warming_keeps_the_water(air_c, rh_pct, warming_k):
    after = air.rh_after_warming(air_c, rh_pct, warming_k)
    if after <= 100.0:
        assert air.humidity_ratio(air_c + warming_k, after) == pytest.approx(
            air.humidity_ratio(air_c, rh_pct), rel=1e-9
        )
        assert air.warming_to_rh(air_c, rh_pct, after) == pytest.approx(warming_k, abs=1e-6)
    else:
        assert air_c + warming_k < air.dew_point(air_c, rh_pct) + 1e-6


@given(st.floats(5.0, 40.0), st.floats(20.0, 100.0), st.floats(10.0, 95.0))
def test_taking_water_out_reaches_the_target(air_c, rh_pct, target_pct):
    water = air.water_above_rh(air_c, rh_pct, target_pct)
    left = air.humidity_ratio(air_c, rh_pct) - water
    assert air.relative_humidity(air_c, left) == pytest.approx(target_pct, rel=1e-9)
    dew = air.dew_point(air_c, target_pct)
    assert air.water_above_dew_point(air_c, rh_pct, dew) == pytest.approx(water, abs=1e-9)


@given(st.lists(st.tuples(AIR_C, st.floats(0.0, 100.0)), min_size=1, max_size=8))
def test_arrays_answer_as_scalars_do(readings):
    air_c, rh = (np.array(x) for x in zip(*readings, strict=True))
    for function in (
        air.dew_point,
        air.wet_bulb,
        air.humidity_ratio,
        air.absolute_humidity,
        air.vapour_pressure,
        air.vapour_pressure_deficit,
    ):
        one_by_one = [function(t, r) for t, r in zip(air_c.tolist(), rh.tolist(), strict=True)]
        assert all(type(x) is float for x in one_by_one)
        np.testing.assert_allclose(function(air_c, rh), one_by_one, rtol=1e-9, atol=1e-9)


def test_arrays_broadcast_and_keep_their_shape():
    table = air.dew_point(np.array([[10.0], [20.0]]), np.array([40.0, 60.0, 80.0]))
    assert table.shape == (2, 3)
    assert table[1, 0] == pytest.approx(air.dew_point(20.0, 40.0), abs=1e-12)
    assert air.dew_point(np.empty(0), 50.0).shape == (0,)
    bulbs = air.wet_bulb(20.0, np.array([40.0, 60.0]), np.array([[9e4], [1e5]]))
    assert bulbs.shape == (2, 2)
    # More readings than one block of the cache, with all of them in their places.
    many = np.linspace(-40.0, 60.0, 100_003)
    np.testing.assert_allclose(air.dew_point(many, 100.0), many, atol=5e-7, rtol=0)


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: air.saturation_pressure(61.0), "air_c"),
        (lambda: air.saturation_pressure(float("nan")), "air_c"),
        (lambda: air.dew_point(20.0, 140.0), "rh_pct"),
        (lambda: air.dew_point(20.0, -0.1), "rh_pct"),
        (lambda: air.dew_point(np.array([20.0, -41.0]), 50.0), "air_c .* at position 1"),
        (lambda: air.dew_point(20.0, float("inf")), "rh_pct"),
        (lambda: air.dew_point("warm", 50.0), "air_c"),  # type: ignore[arg-type]
        (lambda: air.dew_point(None, 50.0), "air_c"),  # type: ignore[arg-type]
        (lambda: air.wet_bulb(20.0, 50.0, 1013.25), "pressure_pa"),
        (lambda: air.humidity_ratio(20.0, np.array([50.0, np.nan])), "rh_pct"),
        (lambda: air.relative_humidity(20.0, -0.001), "w must"),
        (lambda: air.dew_point_of_ratio(0.4), "w must"),
        (lambda: air.rh_at_dew_point(20.0, 70.0), "dew_point_c"),
        (lambda: air.enthalpy(20.0, 0.6), "w must"),
        (lambda: air.density(20.0, 0.01, 0.0), "pressure_pa"),
        (lambda: air.pressure_at_altitude(9000.0), "altitude_m"),
        (lambda: air.rh_after_warming(50.0, 50.0, 20.0), "warming_k"),
        (lambda: air.warming_to_rh(40.0, 100.0, 10.0), "target_rh_pct"),
        (lambda: air.warming_to_rh(20.0, 50.0, 0.0), "target_rh_pct"),
        (lambda: air.water_above_rh(20.0, 50.0, 101.0), "target_rh_pct"),
        (lambda: air.water_above_dew_point(20.0, 50.0, 61.0), "target_dew_point_c"),
        (lambda: air.humidity_ratio_at_wet_bulb(20.0, 21.0), "wet_bulb_c"),
        (lambda: air.humidity_ratio_at_wet_bulb(40.0, 5.0), "wet_bulb_c"),
    ],
)
def test_errors_name_the_argument(call, named):
    with pytest.raises(ValueError, match=named):
        call()
