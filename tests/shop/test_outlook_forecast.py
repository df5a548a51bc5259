"""Forecasts of series whose law is known, and the promise never to peek."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest
from outlook_series import FADING, SD_K, START_S, known_series

from service.shop.outlook import PROBABILITIES, AirHistory, fit
from service.shop.outlook.blend import weights_by_day
from service.shop.outlook.candidates import NAMES
from service.shop.outlook.features import design
from service.shop.outlook.history import hourly
from service.shop.outlook.rolling import roll
from service.shop.outlook.scores import crps_ensemble


def changed_after(made: AirHistory, at_s: float) -> AirHistory:
    later = made.time_s > at_s
    return AirHistory(
        made.time_s, made.air_c + 30.0 * later, made.dew_point_c - 7.0 * later, None, ()
    )


def rolled(made: AirHistory, horizon_h: int):
    grid = hourly(made, float(made.time_s[-1]))
    return roll(design(grid), (horizon_h,))[horizon_h], grid


@pytest.mark.parametrize("horizon_h", [1, 30])
def test_no_forecast_changes_when_the_future_does(horizon_h):
    made = known_series(70)
    row = 50 * 24 + 7
    one, grid = rolled(made, horizon_h)
    at_s = grid.end_s - 3600.0 * (grid.hours - 1 - row)
    other, _ = rolled(changed_after(made, at_s), horizon_h)
    rows = np.arange(row + 1)
    assert np.array_equal(one.quantiles(rows), other.quantiles(rows), equal_nan=True)
    after = np.arange(row + 1, row + 200)
    assert not np.allclose(one.quantiles(after), other.quantiles(after), equal_nan=True)


def test_a_fit_and_the_backtest_say_the_same():
    """At the end of whole days the rolling forecast is what a fit would have said then."""
    made = known_series(60)
    grid = hourly(made, float(made.time_s[-1]))
    row = grid.hours - 1
    model = fit(made)
    for horizon_h in (1, 24):
        later = known_series(63)
        horizon = roll(design(_ending_at(later, grid.end_s + 3 * 86_400.0)), (horizon_h,))
        own = horizon[horizon_h].quantiles(np.array([row]))[0]
        told = model.forecast(grid.end_s, (float(horizon_h),))
        # The last row of a day is forecast by that day's morning fit; the model's is a day newer.
        assert told.air_c[0, 9] == pytest.approx(own[0, 19:21].mean(), abs=0.15)
        spread = told.air_c[0, 17] - told.air_c[0, 1]
        assert spread == pytest.approx(own[0, 35:37].mean() - own[0, 3:5].mean(), rel=0.1)


def _ending_at(made: AirHistory, end_s: float):
    return hourly(made, end_s)


@pytest.mark.slow
@pytest.mark.parametrize("horizon_h", [1, 6, 24])
def test_a_fading_anomaly_is_forecast_nearly_as_well_as_can_be(horizon_h):
    """The law being known, the best score is s / sqrt(pi), s the spread that is left (the score
    of a normal law in its own draws, Gneiting and Raftery 2007)."""
    own, best, held = [], [], []
    left = SD_K * np.sqrt(1 - FADING ** (2 * horizon_h))
    for seed in range(4):
        horizon, grid = rolled(known_series(150, seed=seed), horizon_h)
        rows = np.arange(60 * 24, grid.hours - 48, 3)
        levels = horizon.quantiles(rows)[:, 0]
        seen = horizon.seen[rows, 0]
        own.append(crps_ensemble(levels, seen).mean())
        best.append(left / np.sqrt(np.pi))
        low, high = levels[:, 3:5].mean(axis=1), levels[:, 35:37].mean(axis=1)
        held.append(np.mean((low <= seen) & (seen <= high)))
    # Learning the course from some ten days and 40 coefficients costs up to a tenth.
    assert 0.93 < np.mean(own) / np.mean(best) < 1.12
    assert 0.76 < np.mean(held) < 0.84


def test_quantiles_rise_and_the_margin_is_never_below_zero():
    got = fit(known_series(40)).forecast(START_S + 40 * 86_400.0)
    for values in (got.air_c, got.dew_point_c, got.margin_k):
        assert values.shape == (48, PROBABILITIES.size)
        assert np.all(np.diff(values, axis=1) >= -1e-9)
    assert got.margin_k.min() >= 0.0


def test_between_whole_hours_and_at_other_minutes():
    made = known_series(30)
    model = fit(made, made.time_s[-2])
    now = made.time_s[-2] + 900.0  # the newest reading is a quarter of an hour old
    got = model.forecast(now, (0.25, 1.0, 47.5))
    assert np.isfinite(got.air_c).all()
    width = got.air_c[:, -1] - got.air_c[:, 0]
    assert width[0] < width[1] < width[2]


def test_days_alone_are_forecast_by_the_fading_anomaly():
    """Two weeks are too few for the learned forecasts: their weights stay at zero."""
    grid = hourly(known_series(14), START_S + 14 * 86_400.0)
    horizon = roll(design(grid), (6,))[6]
    weights = weights_by_day(horizon.points, grid_target(grid, 6), 6)[-1]
    assert np.all(weights[:, NAMES.index("damped")] == 1.0)
    long = roll(design(hourly(known_series(60), START_S + 60 * 86_400.0)), (6,))[6]
    assert long.weights[-1, 0, NAMES.index("damped")] < 1.0


def grid_target(grid, horizon_h):
    return design(grid).target(horizon_h)


def test_nothing_is_learned_across_a_break():
    middle = START_S + 30 * 86_400.0
    whole, broken = known_series(60), known_series(60, breaks_s=(middle,))
    grid = hourly(broken, float(broken.time_s[-1]))
    missing = np.isnan(design(grid).target(6)[:, 0])
    plain = np.isnan(design(hourly(whole, float(whole.time_s[-1]))).target(6)[:, 0])
    # Rows from six hours before to a day after the break, whose past or target lies across it.
    assert (missing & ~plain).sum() == 24 + 6


@pytest.mark.parametrize(
    ("ask", "said"),
    [
        (lambda m, t: m.forecast(t + 7200.0), "no reading"),
        (lambda m, t: m.forecast(t - 86_400.0), "now"),
        (lambda m, t: m.forecast(t, (0.0,)), "horizons_h"),
        (lambda m, t: m.forecast(t, (49.0,)), "horizons_h"),
        (lambda m, t: m.forecast(t, (np.nan,)), "horizons_h"),
        (lambda m, t: m.sample_paths(t, 0, 1), "count"),
    ],
)
def test_what_cannot_be_answered_is_refused(ask, said):
    made = known_series(5)
    with pytest.raises(ValueError, match=said):
        ask(fit(made), made.time_s[-1])


def test_an_instant_without_a_zone_is_refused():
    with pytest.raises(ValueError, match="time zone"):
        fit(known_series(5), datetime(2023, 12, 1))  # noqa: DTZ001 -- what is refused


def test_less_than_a_day_gives_no_outlook():
    with pytest.raises(ValueError, match="at least a day"):
        fit(known_series(0.8))


def test_paths_keep_the_quantiles_of_every_hour_and_hang_together():
    made = known_series(60)
    model, now = fit(made), datetime.fromtimestamp(made.time_s[-1], UTC)
    paths = model.sample_paths(now, 2000, seed=5)
    told = model.forecast(now)
    for level, column in ((0.1, 1), (0.5, 9), (0.9, 17)):
        # 2,000 ranks are spread evenly: only the straight line between levels differs.
        got = np.quantile(paths.air_c, level, axis=0)
        assert np.abs(got - told.air_c[:, column]).max() < 0.05
        margin = np.quantile(paths.air_c - paths.dew_point_c, level, axis=0)
        assert np.abs(margin - told.margin_k[:, column]).max() < 0.1
    assert np.all(paths.dew_point_c <= paths.air_c + 1e-9)
    near = np.corrcoef(paths.air_c[:, 9], paths.air_c[:, 10])[0, 1]
    far = np.corrcoef(paths.air_c[:, 9], paths.air_c[:, 40])[0, 1]
    # Of this law hour 10 and 11 hang together by 0.89, hour 10 and 41 by 0.03.
    assert near > 0.8
    assert abs(far) < 0.3
    again = model.sample_paths(now, 2000, seed=5)
    assert np.array_equal(paths.air_c, again.air_c)
    assert not np.array_equal(paths.air_c, model.sample_paths(now, 2000, seed=6).air_c)


def test_readings_since_the_fit_count():
    made = known_series(41)
    model = fit(made, START_S + 40 * 86_400.0)
    now = START_S + 41 * 86_400.0
    assert np.isfinite(model.forecast(now).air_c).all()
    warmer = AirHistory(made.time_s, made.air_c + 5.0 * (made.time_s > now - 9e3), made.dew_point_c)
    moved = model.with_history(warmer).forecast(now).air_c[0, 9] - model.forecast(now).air_c[0, 9]
    assert moved > 2.0


@pytest.mark.parametrize("days", [4.0, 6.0, 10.0])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_short_history_does_not_reach_beyond_what_the_place_can_be(days, seed):
    # The law's anomalies have a standard deviation of 2 K, so an 80 % range about the daily course
    # is 2 * 1.2816 * 2 = 5.1 K wide; a sample of few days may show up to half more, and is taken
    # half wider again.
    history = known_series(days, seed)
    told = fit(history).forecast(float(history.time_s[-1]))
    for values in (told.air_c, told.dew_point_c):
        assert np.max(values[:, 17] - values[:, 1]) < 5.13 * 1.5 * 1.5
    assert np.all(told.dew_point_c <= told.air_c + 1e-9)
