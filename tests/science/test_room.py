"""Water and heat of a well-mixed room: an ODE solver beside it, and figures of a standard."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from service.science import room


@settings(max_examples=40, deadline=None)
@given(
    start=st.floats(0.002, 0.020),
    makeup=st.floats(0.002, 0.020),
    litres_day=st.floats(0.0, 40.0),
    mass=st.floats(10.0, 500.0),
    changes=st.one_of(st.just(0.0), st.floats(1e-9, 20.0)),
)
def test_the_course_is_the_balances(
    start: float, makeup: float, litres_day: float, mass: float, changes: float
) -> None:
    hours = np.linspace(0.0, 6.0, 13)
    removal = litres_day / 24.0
    solved = solve_ivp(
        lambda _t, w: changes * (makeup - w) - removal / mass,
        (0.0, 6.0), [start], "DOP853", hours, rtol=1e-10, atol=1e-13,
    )  # fmt: skip
    found = room.humidity_course(
        hours, start_w=start, makeup_w=makeup, removal_kg_h=removal, dry_air_kg=mass,
        air_changes_h=changes,
    )  # fmt: skip
    # The solver's own tolerance, summed over some hundred steps.
    assert found == pytest.approx(solved.y[0], rel=1e-7, abs=1e-10)


def test_the_course_ends_at_the_steady_ratio_by_its_time_constant() -> None:
    # By hand: 50 kg of air, one change an hour, 12 l a day: 0.5 / 50 = 10 g/kg below 14 is 4.
    end = room.steady_ratio(0.014, 0.5, 50.0, 1.0)
    assert end == pytest.approx(0.004, rel=1e-12)
    found = room.humidity_course(
        [0.0, 1.0, 40.0], start_w=0.014, makeup_w=0.014, removal_kg_h=0.5, dry_air_kg=50.0,
        air_changes_h=1.0,
    )  # fmt: skip
    assert found[1] - end == pytest.approx((0.014 - end) / math.e, rel=1e-9)
    assert found[2] == pytest.approx(end, rel=1e-9)
    assert room.steady_ratio(0.014, 0.5, 50.0, 0.0) == -math.inf
    assert room.steady_ratio(0.009, 0.0, 50.0, 0.0) == 0.009


def test_fresh_air_takes_what_the_standard_says() -> None:
    # ISO 13789 / EN 12831: 0.34 W h/(m³ K) for air of about 20 °C; it is rounded to two digits.
    mass = room.dry_air(100.0, 20.0, 0.007)
    assert room.ventilation_loss(mass, 0.007, 1.0) == pytest.approx(34.0, rel=0.02)
    # Density of air of 20 °C and 1.2 kg/m³ (any handbook), to its two digits.
    assert mass == pytest.approx(120.0, rel=0.01)


def test_warming_and_holding_add_up() -> None:
    mass = room.dry_air(30.0, 18.0, 0.008)
    warm = room.heat_to_warm(3.0, mass, 0.008, 9.6e5)
    # By hand: 30 m³ * 1.21 kg/m³ * 1.02 kJ/(kg K) = 37 kJ/K, and 960 kJ/K of contents.
    assert warm == pytest.approx(3.0 * (37e3 + 9.6e5), rel=0.01)
    assert room.heat_to_hold(3.0, 100.0) == 300.0


def test_a_box_has_six_sides() -> None:
    # A cube of 3 m has 54 m².
    assert room.box_area(27.0, 3.0) == pytest.approx(54.0)


@pytest.mark.parametrize("wrong", [{"start_w": -1.0}, {"dry_air_kg": 0.0}, {"air_changes_h": -1}])
def test_what_cannot_be_is_named(wrong: dict[str, float]) -> None:
    good = {"start_w": 0.01, "makeup_w": 0.01, "removal_kg_h": 1.0, "dry_air_kg": 50.0,
            "air_changes_h": 1.0}  # fmt: skip
    with pytest.raises(ValueError, match=next(iter(wrong))):
        room.humidity_course([0.0], **(good | wrong))
