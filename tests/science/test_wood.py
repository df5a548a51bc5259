"""Wood against the USDA Wood Handbook, and its response against diffusion theory."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from published import near, row, rows
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from service.science import wood, wood_heat
from service.science.woods import FINISHES, WOODS, Finish

# --- published figures ---------------------------------------------------------------------------


@pytest.mark.parametrize("row", rows("emc-21.1-.*|emc-eq-20-50|emc-calc-.*|emc-rule-50"))
def test_equilibrium_moisture_as_published(row):
    given_ = {"t_C": 20.0, **row["inputs"]}
    assert wood.equilibrium_moisture(given_["t_C"], given_["rh_pct"]) == near(row)


@pytest.mark.parametrize("row", rows(r"emc-\d+F-.*"))
def test_equilibrium_moisture_of_table_4_2(row):
    # The equation's own tolerance of the two that the rows state.
    moisture = wood.equilibrium_moisture(
        (row["inputs"]["t_F"] - 32.0) / 1.8, row["inputs"]["rh_pct"]
    )
    assert moisture == near(row, tolerance="±0.25 for the equation")


@pytest.mark.parametrize("published", [row("emc-mono")["inputs"]])
def test_equilibrium_moisture_falls_with_temperature(published):
    cool, warm = wood.equilibrium_moisture(np.array(published["t_C"], float), published["rh_pct"])
    assert cool > warm


@pytest.mark.parametrize("row", rows("emc-coef-W_F|emc-coef-K1_F|emc-coef-K2_F|emc-coef-K1"))
def test_equation_from_the_published_coefficients(row):
    # The metric equation must agree with the handbook's Fahrenheit one, put together here from the
    # published coefficients as printed: 0.03 % moisture, the rounding of the two coefficient sets
    # (rows emc-calc-... and emc-30F-... show up to 0.01 between 5 and 60 °C, up to 90 % RH).
    printed = {"K_F": "0.791 + 0.000463T - 0.000000844T^2"}  # from memory, Wood Handbook eq. (4-5)
    for name in ("W_F", "K1_F", "K2_F"):
        printed[name] = ROW_TEXT[name]

    def value(name, t):
        return eval(printed[name].replace("T", "*T").replace("^", "**"), {"T": t})  # noqa: S307

    for t_c in (0.0, 20.0, 40.0):
        t_f = 1.8 * t_c + 32.0
        for h in (0.1, 0.3, 0.5, 0.7, 0.9):
            kh = value("K_F", t_f) * h
            k1, k2 = value("K1_F", t_f), value("K2_F", t_f)
            one, two = k1 * kh, k1 * k2 * kh * kh
            expected = (
                1800.0
                / value("W_F", t_f)
                * (kh / (1.0 - kh) + (one + 2.0 * two) / (1.0 + one + two))
            )
            assert wood.equilibrium_moisture(t_c, 100.0 * h) == pytest.approx(expected, abs=0.03)


ROW_TEXT = {name: row(f"emc-coef-{name}")["expected"] for name in ("W_F", "K1_F", "K2_F")}


@pytest.mark.parametrize("row", rows("dim-(sugar-maple|black-walnut|bigleaf-maple)"))
def test_both_coefficients_of_dimensional_change(row):
    listed = WOODS[row["inputs"]["species"]]
    assert [listed.radial, listed.tangential] == near(row)


@pytest.mark.parametrize("row", rows("dim-.*-[RT]"))
def test_coefficient_of_dimensional_change(row):
    listed = WOODS[row["inputs"]["species"]]
    # Rows that derive a coefficient from a shrinkage name no direction.
    way = row["inputs"].get("direction", row["id"][-1])
    assert {"R": listed.radial, "T": listed.tangential}[way] == near(row)


@pytest.mark.parametrize("row", rows("shr-.*"))
def test_coefficients_agree_with_the_shrinkages(row):
    # Two tables of one handbook: the coefficient from the shrinkage must be the listed one to the
    # rounding of a shrinkage printed to 0.1 (2 % of 5 %).
    radial, tangential, _ = row["expected"]
    listed = WOODS[row["inputs"]["species"]]
    assert wood.coefficient_from_shrinkage(radial) == pytest.approx(listed.radial, rel=0.02)
    assert wood.coefficient_from_shrinkage(tangential) == pytest.approx(listed.tangential, rel=0.02)


@pytest.mark.parametrize("published", rows("dim-ex-2"))
def test_movement_of_a_quarter_sawn_top(published):
    given_ = published["inputs"]
    assert wood.movement(given_["width_mm"], given_["CR"], given_["dMC"]) == near(published)
    assert WOODS["Sitka spruce"].radial == given_["CR"]


@pytest.mark.parametrize("published", rows("dim-eq13-3"))
def test_movement_by_the_second_equation(published):
    given_ = published["inputs"]
    change = wood.movement_from_shrinkage(given_["D_mm"], given_["S_T"], given_["Mi"], given_["Mf"])
    assert change == near(published)


@pytest.mark.parametrize("row", rows("k12-.*"))
def test_conductivity_as_published(row):
    given_ = row["inputs"]
    assert wood_heat.conductivity(given_["G_12"], given_["mc"]) == near(row)


@pytest.mark.parametrize("row", rows("k-coef-[ABC]"))
def test_conductivity_coefficients(row):
    # k = G (B + C x) + A, taken apart by differences: at these points they are exact but for
    # rounding of the differences (1e-12 of the figure).
    k = wood_heat.conductivity
    b = (k(0.9, 0.0) - k(0.4, 0.0)) / 0.5
    c = ((k(0.9, 10.0) - k(0.4, 10.0)) / 0.5 - b) / 10.0
    a = k(0.4, 0.0) - 0.4 * b
    assert {"k-coef-A": a, "k-coef-B": b, "k-coef-C": c}[row["id"]] == near(row)


@pytest.mark.parametrize("row", rows(r"cp-\d+-\d+"))
def test_heat_capacity_as_published(row):
    given_ = row["inputs"]
    joules = wood_heat.heat_capacity(given_["mc"], given_["T_K"] - 273.15)
    assert joules / 1000.0 == near(row)


@pytest.mark.parametrize("published", rows("rho-ash"))
def test_density_as_published(published):
    assert wood_heat.density(0.605, 12.0) == near(published)


@pytest.mark.parametrize("published", rows("alpha-wood"))
def test_heat_diffusivity_is_that_of_the_handbook(published):
    # Dry wood of ordinary specific gravity, k / (rho c); the row's tolerance is 30 %.
    c = wood_heat.heat_capacity(0.0, 21.0)
    assert wood_heat.conductivity(0.5, 0.0) / (wood_heat.density(0.5, 0.0) * c) == near(published)


@pytest.mark.parametrize("published", rows("dry-halfslab"))
def test_diffusion_from_one_face(published):
    assert wood.unaccomplished_change(published["inputs"]["Fo"]) == near(published)


# --- response ------------------------------------------------------------------------------------


@pytest.mark.parametrize("biot", [0.01, 0.1, 0.5, 1.0, 3.0, 10.0, 100.0, 1e4])
def test_time_constant_against_newmans_slowest_term(biot):
    # Equal faces: b tan b = Bi, tau = l^2 / (D b^2) exactly. Adding the two resistances
    # overstates it by 5.1 % at worst (near Bi = 2.5).
    root = brentq(lambda b: b * math.tan(b) - biot, 1e-9, math.pi / 2 - 1e-9)
    half_m, diffusivity = 0.00125, 1e-10
    face = Finish(biot * diffusivity / half_m, "test")
    tau = wood.response_time(2.5, face, face, diffusivity_m2_s=diffusivity)
    assert tau == pytest.approx(half_m**2 / (diffusivity * root**2), rel=0.055)


def test_sealed_face_doubles_the_way():
    open_face, sealed = Finish(1e-3, "test"), Finish(0.0, "test")
    both = wood.response_time(3.0, open_face, open_face)
    one = wood.response_time(3.0, open_face, sealed)
    assert one == pytest.approx(4.0 * both, rel=0.01)  # the faces' own resistance is 0.1 %


def test_thicker_and_better_finished_plates_are_slower():
    bare, lacquer, epoxy = (FINISHES[name] for name in ("bare", "lacquer", "epoxy"))
    top = wood.response_time(2.8, lacquer, bare)
    assert wood.response_time(2.8, bare, bare) < top
    assert top < wood.response_time(2.8, epoxy, bare) < wood.response_time(2.8, lacquer, lacquer)
    assert top < wood.response_time(20.0, lacquer, bare)
    # Common practice: a finished top over a bare inside follows the air within hours to a day.
    assert 4 * 3600.0 < top < 36 * 3600.0


def test_moisture_course_against_an_ode_solver():
    rng = np.random.default_rng(4)
    time_s = np.cumsum(rng.uniform(600.0, 9000.0, 40))
    air_c, rh = 20.0 + rng.standard_normal(40), np.clip(45 + 15 * rng.standard_normal(40), 0, 100)
    target = wood.equilibrium_moisture(air_c, rh)
    tau = 30_000.0
    expected, moisture = [9.0], 9.0
    for k in range(39):  # segment by segment, so that the solver meets no kink
        solved = solve_ivp(
            lambda t, m: (np.interp(t, time_s, target) - m) / tau,
            (time_s[k], time_s[k + 1]),
            [moisture],
            rtol=1e-10,
            atol=1e-12,
        )
        moisture = float(solved.y[0, -1])
        expected.append(moisture)
    course = wood.moisture_course(time_s, air_c, rh, start_pct=9.0, response_s=tau)
    np.testing.assert_allclose(course, expected, atol=1e-7)  # the solver's own accuracy


@given(st.floats(0.0, 40.0), st.floats(100.0, 1e6))
def test_moisture_course_never_passes_its_target(start_pct, response_s):
    time_s = np.linspace(0.0, 5e5, 60)
    course = wood.moisture_course(
        time_s, np.full(60, 20.0), np.full(60, 50.0), start_pct=start_pct, response_s=response_s
    )
    away = np.abs(course - wood.equilibrium_moisture(20.0, 50.0))
    assert np.all(np.diff(away) <= 1e-9)


# --- properties ----------------------------------------------------------------------------------


@given(st.floats(-40.0, 60.0), st.floats(0.0, 99.0))
def test_moisture_rises_with_humidity(air_c, rh_pct):
    assert wood.equilibrium_moisture(air_c, rh_pct + 1.0) > wood.equilibrium_moisture(air_c, rh_pct)


@given(st.floats(-40.0, 60.0), st.floats(0.0, 95.0))
def test_humidity_for_a_moisture_and_back(air_c, rh_pct):
    moisture = wood.equilibrium_moisture(air_c, rh_pct)
    assert wood.rh_for_moisture(air_c, moisture) == pytest.approx(rh_pct, abs=1e-8)


def test_below_the_table_the_edge_is_read():
    assert wood.equilibrium_moisture(-30.0, 60.0) == wood.equilibrium_moisture(-1.1, 60.0)
    assert wood.equilibrium_moisture(20.0, 0.0) == 0.0


@given(st.floats(0.5, 15.0), st.floats(6.0, 14.0), st.floats(6.0, 14.0))
def test_both_movement_equations_agree_within_the_range(shrinkage, first, last):
    # C is the second equation at 10 % moisture; from 6 to 14 % it moves by at most 4/(3000/S - 24).
    by_coefficient = wood.movement(100.0, wood.coefficient_from_shrinkage(shrinkage), last - first)
    by_shrinkage = wood.movement_from_shrinkage(100.0, shrinkage, first, last)
    assert by_coefficient == pytest.approx(
        by_shrinkage, rel=4.0 / (3000.0 / shrinkage - 24.0) + 1e-9, abs=1e-12
    )


def test_every_listed_wood_moves_more_tangentially_and_names_a_source():
    for listed in WOODS.values():
        assert 0.0 < listed.radial < listed.tangential < 0.005
        assert listed.source
    assert all(finish.source and finish.exchange_m_s > 0 for finish in FINISHES.values())


def test_arrays_and_scalars_alike():
    rh = np.array([20.0, 50.0, 80.0])
    for function in (
        lambda x: wood.equilibrium_moisture(20.0, x),
        lambda x: wood.rh_for_moisture(20.0, x / 5.0),
        lambda x: wood.unaccomplished_change(x / 100.0),
        lambda x: wood.movement(100.0, 0.002, x / 10.0),
        lambda x: wood_heat.conductivity(0.4, x / 5.0),
        lambda x: wood_heat.heat_capacity(x / 5.0, 20.0),
    ):
        for one, all_at_once in zip(rh.tolist(), function(rh), strict=True):
            assert type(function(one)) is float
            assert function(one) == pytest.approx(all_at_once, rel=1e-12)


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: wood.equilibrium_moisture(20.0, 101.0), "rh_pct"),
        (lambda: wood.equilibrium_moisture(float("nan"), 50.0), "air_c"),
        (lambda: wood.rh_for_moisture(20.0, 27.0), "moisture_pct"),
        (lambda: wood.rh_for_moisture(60.0, 25.99), "moisture_pct"),
        (lambda: wood.response_time(0.0, FINISHES["bare"], FINISHES["bare"]), "thickness_mm"),
        (lambda: wood.unaccomplished_change(-1.0), "fourier"),
        (lambda: wood.movement(-1.0, 0.002, 1.0), "width_mm"),
        (lambda: wood.movement(100.0, 0.2, 1.0), "coefficient_per_pct"),
        (lambda: wood.movement(100.0, 0.002, 50.0), "change_pct"),
        (lambda: wood.movement_from_shrinkage(100.0, 0.0, 10.0, 6.0), "shrinkage_pct"),
        (lambda: wood.coefficient_from_shrinkage(99.0), "shrinkage_pct"),
        (
            lambda: wood.moisture_course(
                [0.0, 1.0], [20.0], [50.0, 50.0], start_pct=8.0, response_s=1e4
            ),
            "air_c",
        ),
        (
            lambda: wood.moisture_course([0.0], [20.0], [50.0], start_pct=8.0, response_s=0.0),
            "response_s",
        ),
        (lambda: wood_heat.conductivity(3.0, 12.0), "specific_gravity"),
        (lambda: wood_heat.heat_capacity(12.0, -20.0), "wood_c"),
        (lambda: wood_heat.density(0.4, -1.0), "moisture_pct"),
    ],
)
def test_errors_name_the_argument(call, named):
    with pytest.raises(ValueError, match=named):
        call()
