"""A plate warming in a room: textbook coefficients, a known slab, and another way to reckon it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from service.science import plate
from service.science.plate import WOODS
from service.science.slab import biot, face_modes, face_temperature, lumped_time

SPRUCE = WOODS["spruce"]


@pytest.mark.parametrize(
    ("number", "zeta", "factor"),
    # Incropera and DeWitt, Fundamentals of Heat and Mass Transfer, table of one-term coefficients
    # for the plane wall; the table gives four decimals.
    [(0.1, 0.3111, 1.0160), (0.5, 0.6533, 1.0701), (1.0, 0.8603, 1.1191), (10.0, 1.4289, 1.2620)],
)
def test_first_modes_are_the_textbooks(number: float, zeta: float, factor: float) -> None:
    found, at_face = face_modes(number)
    assert found[0] == pytest.approx(zeta, abs=1.01e-4)
    # At the face the one-term solution is C1 cos z1.
    assert at_face[0] == pytest.approx(factor * math.cos(zeta), abs=2e-4)


@pytest.mark.parametrize("number", [0.01, 0.3, 3.0, 50.0])
def test_modes_solve_their_equation_and_make_up_the_whole(number: float) -> None:
    zeta, part = face_modes(number)
    # Carslaw and Jaeger, appendix IV: roots of z tan z = C, one in each half turn.
    assert zeta * np.sin(zeta) == pytest.approx(number * np.cos(zeta), abs=1e-9 * (1 + number))
    assert np.all(np.floor(zeta / math.pi) == np.arange(zeta.size))
    # The tail of the sum is about 2 Bi / (pi² N).
    assert part.sum() == pytest.approx(1.0, abs=2.0 * number / (math.pi**2 * zeta.size) + 1e-3)


def test_a_thin_plate_warms_by_one_exponential() -> None:
    # Biot number 0.006: the lumped solution errs by about a third of that.
    h, depth = 6.0, 0.1
    tau = lumped_time(depth, SPRUCE, h)
    time = np.linspace(0.0, 4.0 * tau, 50)
    face = face_temperature(
        time, np.full(50, 20.0), start_c=4.0, depth_mm=depth, wood=SPRUCE, h_w_m2k=h
    )
    assert biot(depth, SPRUCE, h) < 0.01
    assert face == pytest.approx(20.0 - 16.0 * np.exp(-time / tau), abs=0.05)


@settings(max_examples=25, deadline=None)
@given(
    depth=st.floats(2.0, 24.0),
    wood=st.sampled_from(sorted(WOODS)),
    start=st.floats(-10.0, 12.0),
    drift=st.floats(-4.0, 4.0),
)
def test_against_the_plate_of_the_wet_film(
    depth: float, wood: str, start: float, drift: float
) -> None:
    """The film's plate is cut into cells; here it is given air at its face and an ODE solver."""
    h, kind = 5.9, WOODS[wood]
    cut = plate.cells(depth, kind, 0.0, 60, 20.0)
    matrix = cut.matrix()
    to_face = cut.conductance[0]
    time = np.array([0.0, 60.0, 300.0, 900.0, 2700.0, 5400.0])
    air = 18.0 + drift * np.minimum(time / 2700.0, 1.0)

    def change(t: float, cells: np.ndarray) -> np.ndarray:
        room = float(np.interp(t, time, air))
        face = (h * room + to_face * cells[0]) / (h + to_face)
        rates = matrix @ cells
        rates[0] += to_face / cut.capacity[0] * face
        return np.asarray(rates)

    solved = solve_ivp(
        change, (0.0, 5400.0), np.full(60, start), "LSODA", time, rtol=1e-8, atol=1e-8,
        max_step=60.0,
    )  # fmt: skip
    expected = (h * air + to_face * solved.y[0]) / (h + to_face)
    found = face_temperature(time, air, start_c=start, depth_mm=depth, wood=kind, h_w_m2k=h)
    # Sixty cells are within 0.02 K after the first minute, and so are the modes left out.
    assert found[1:] == pytest.approx(expected[1:], abs=0.03)


def test_what_cannot_be_is_named() -> None:
    with pytest.raises(ValueError, match="depth_mm"):
        face_temperature([0, 1], [20, 20], start_c=4, depth_mm=0, wood=SPRUCE, h_w_m2k=6)
    with pytest.raises(ValueError, match="air_c"):
        face_temperature([0, 1], [20], start_c=4, depth_mm=3, wood=SPRUCE, h_w_m2k=6)
    with pytest.raises(ValueError, match="start_c"):
        face_temperature([0, 1], [20, 20], start_c=math.nan, depth_mm=3, wood=SPRUCE, h_w_m2k=6)
