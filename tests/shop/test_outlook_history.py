"""The even grid, the daily course and the bridging of holes."""

from __future__ import annotations

import numpy as np
import pytest
from outlook_series import SD_K, START_S, hours_of, known_series, usual_air_c

from service.shop.outlook import AirHistory, hindcast
from service.shop.outlook.bridge import ou_bridge
from service.shop.outlook.courses import daily_course, filled
from service.shop.outlook.history import hourly


def history(hours, air, dew=None):
    air = np.asarray(air, dtype=float)
    times = START_S + 3600.0 * np.asarray(hours, dtype=float)
    return AirHistory(times, air, air - 5.0 if dew is None else np.asarray(dew, dtype=float))


def test_grid_holds_the_last_reading_by_then_never_a_later_one():
    grid = hourly(history([0.0, 0.9, 1.2, 2.0], [10.0, 11.0, 99.0, 12.0]), START_S + 7200.0)
    assert grid.values[:, 0].tolist() == [10.0, 11.0, 12.0]


def test_hours_with_no_reading_near_are_unseen():
    grid = hourly(history([0.0, 1.0, 4.0], [10.0, 11.0, 12.0]), START_S + 4 * 3600.0)
    assert grid.seen.tolist() == [True, True, False, False, True]
    assert np.isnan(grid.values[2:4]).all()


def test_readings_after_now_are_not_looked_at():
    grid = hourly(history([0.0, 1.0, 2.0], [10.0, 11.0, 12.0]), START_S + 3600.0)
    assert grid.hours == 2
    assert grid.values[-1, 0] == 11.0


@pytest.mark.parametrize(
    ("field", "change"),
    [
        ("air_c", {"air_c": np.array([1.0, np.nan])}),
        ("dew_point_c", {"dew_point_c": np.array([1.0, 9.0])}),
        ("dew_point_c", {"dew_point_c": np.array([1.0])}),
        ("time_s", {"time_s": np.array([1.0, 1.0])}),
    ],
)
def test_a_history_that_cannot_be_names_the_field(field, change):
    good = {
        "time_s": np.array([0.0, 1.0]),
        "air_c": np.array([5.0, 5.0]),
        "dew_point_c": np.array([1.0, 1.0]),
    }
    with pytest.raises(ValueError, match=f"^{field}"):
        AirHistory(**(good | change))


def test_relative_humidity_becomes_a_dew_point():
    """20 °C at 50 %: dew point 9.26 °C (ASHRAE Handbook - Fundamentals 2017, ch. 1, by its
    saturation pressures: 1169.6 Pa lies between 9 and 10 °C)."""
    made = AirHistory.from_rh(np.array([0.0]), np.array([20.0]), np.array([50.0]))
    assert made.dew_point_c[0] == pytest.approx(9.26, abs=0.02)  # two figures after the point


def test_course_of_a_strict_day_is_that_day():
    hour = hours_of(20)
    course = daily_course(usual_air_c(hour)[:, None])
    # Leaning on the mean of all hours has faded to 0.9^20 / 8.8 of a 4 K swing: 0.06 K.
    assert np.abs(course[-24:, 0] - usual_air_c(hour)[-24:]).max() < 0.06


def test_course_knows_nothing_of_later_hours():
    values = known_series(12).air_c[:, None]
    changed = values.copy()
    changed[200:] += 50.0
    before, after = daily_course(values), daily_course(changed)
    assert np.array_equal(before[:200], after[:200])
    assert not np.allclose(before[200:], after[200:])


def test_unseen_hours_are_filled_by_course_and_anomaly():
    hour = hours_of(10)
    values = (usual_air_c(hour) + 3.0)[:, None]
    holed = values.copy()
    holed[150:160] = np.nan
    got = filled(holed, usual_air_c(hour)[:, None])
    assert np.allclose(got, values)


def test_bridge_is_the_gaussian_conditional():
    """Against conditioning the joint normal distribution on the readings, by NumPy's solver."""
    read_s = np.array([0.0, 3600.0, 40_000.0])
    read = np.array([1.0, 1.5, -0.5])
    times = np.array([0.0, 1800.0, 10_000.0, 30_000.0, 40_000.0, 60_000.0])
    fading, sd = 20_000.0, 2.0

    def covariance(one, other):
        return sd**2 * np.exp(-np.abs(one[:, None] - other[None, :]) / fading)

    gain = np.linalg.solve(covariance(read_s, read_s), covariance(read_s, times)).T
    left = sd**2 - np.einsum("ij,ji->i", gain, covariance(read_s, times))
    mean, spread = ou_bridge(read_s, read, times, fading, sd)
    assert np.allclose(mean, gain @ read, atol=1e-9)  # rounding of the solver
    assert np.allclose(spread**2, left, atol=1e-9)


def test_hindcast_covers_a_hole_of_a_known_course():
    """An 80 % range of a true normal law holds 80 % of hidden values.

    Ten holes of nine hours in 30 series are some 300 independent looks and a few more: 3 standard
    deviations are 7 points.
    """
    inside = []
    for seed in range(30):
        whole = known_series(40, seed=seed)
        hidden = np.zeros(whole.time_s.size, dtype=bool)
        for first in range(300, 900, 60):
            hidden[first : first + 9] = True
        kept = AirHistory(whole.time_s[~hidden], whole.air_c[~hidden], whole.dew_point_c[~hidden])
        got = hindcast(kept, whole.time_s[hidden])
        error = np.abs(got.air_c - whole.air_c[hidden])
        inside.append(np.mean(error < 1.2816 * got.air_sd_k))
    assert 0.73 < np.mean(inside) < 0.87


def test_hindcast_gives_readings_back_and_fades_after_the_last():
    made = known_series(20)
    end = made.time_s[-1]
    got = hindcast(made, np.array([made.time_s[100], end, end + 100 * 3600.0]))
    assert got.air_c[:2] == pytest.approx([made.air_c[100], made.air_c[-1]], abs=1e-9)
    assert got.air_sd_k[:2].tolist() == [0.0, 0.0]
    # After 100 h at a fading of some 9.5 h nothing is left of the last reading.
    assert got.air_sd_k[2] == pytest.approx(SD_K, rel=0.25)  # spread of one 20-day record


def test_hindcast_refuses_instants_before_the_record():
    with pytest.raises(ValueError, match=r"^times_s"):
        hindcast(known_series(2), np.array([0.0]))
