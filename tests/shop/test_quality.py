"""Each flag on courses made by hand: what is a fault, and what only looks like one."""

from __future__ import annotations

import numpy as np
import pytest
from courses import START_S, breathing, course, marked, minutes, picked

from service.shop.quality import (
    NAMES,
    NOT_COUNTED,
    WORDS,
    Course,
    Flag,
    flags_of,
    names_of,
    words_of,
)


def test_the_bits_are_those_that_databases_hold() -> None:
    assert [(flag.name, int(flag)) for flag in Flag] == [
        ("RANGE", 1),
        ("RATE", 2),
        ("STUCK", 4),
        ("SPIKE", 8),
        ("JUMP", 16),
        ("CLOCK", 32),
        ("DRIFT", 64),
        ("DISAGREES", 128),
        ("BATTERY", 256),
        ("AWAY", 512),
    ]
    assert set(NAMES) == set(WORDS) == set(Flag)
    assert names_of(4 + 128) == ("stuck", "disagrees")
    assert names_of(0) == ()
    assert words_of(4 + 256) == "has not moved for long and has a low battery"
    assert Flag.RANGE in NOT_COUNTED
    assert Flag.BATTERY not in NOT_COUNTED


def test_a_quiet_day_has_no_flag() -> None:
    time_s = minutes(24.0)
    mate = course(time_s, *breathing(time_s, 2))
    assert not flags_of(course(time_s, *breathing(time_s, 1)), [mate]).any()


def test_lengths_must_agree() -> None:
    good = course(minutes(0.1))
    fields = {**vars(good), "rh_pct": good.rh_pct[1:]}
    with pytest.raises(ValueError, match="rh_pct: 6 values, but time_s has 7"):
        Course(**fields)


def test_only_what_is_asked_for_comes_back() -> None:
    asked = course([0.0, 60.0, 120.0], [20.0, 20.0, 55.0])
    assert flags_of(asked, first_s=START_S + 60.0).tolist() == flags_of(asked).tolist()[1:]
    assert flags_of(asked, first_s=START_S + 999.0).size == 0
    assert flags_of(course([])).size == 0


# -- range ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("air_c", "rh_pct"), [(51.0, 10.0), (-36.0, 60.0), (20.0, 0.4), (20.0, 104.5), (45.0, 70.0)]
)
def test_what_no_room_has_is_out_of_range(air_c: float, rh_pct: float) -> None:
    # 45 °C and 70 % RH: dew point 38.4 °C (ASHRAE equations), above any observed outdoors.
    assert marked(course([0.0], air_c, rh_pct), "range").all()


@pytest.mark.parametrize(
    ("air_c", "rh_pct"), [(42.0, 8.0), (-25.0, 80.0), (21.0, 4.0), (5.0, 102.0), (38.0, 75.0)]
)
def test_hard_weather_is_in_range(air_c: float, rh_pct: float) -> None:
    # 38 °C and 75 % RH: dew point 32.9 °C, which the Gulf coasts see.
    assert not marked(course([0.0], air_c, rh_pct), "range").any()


def test_a_correction_can_take_a_reading_out_of_range_and_does_not_hide_one() -> None:
    assert marked(course([0.0], 20.0, 10.0, corrected_by=(0.0, -9.8)), "range").all()
    assert marked(course([0.0], 20.0, 0.2, corrected_by=(0.0, 9.8)), "range").all()


# -- rate of change -------------------------------------------------------------------------------


def test_a_leap_that_stays_is_marked_for_five_minutes() -> None:
    time_s = minutes(1.0)
    leapt = marked(course(time_s, np.where(time_s < 1800.0, 20.0, 38.0)), "rate_of_change")
    assert time_s[leapt].tolist() == [1800.0 + 60.0 * i for i in range(6)]


def test_the_same_change_over_half_an_hour_is_a_heater() -> None:
    time_s = minutes(1.0)
    assert not marked(course(time_s, 20.0 + 18.0 * time_s / 3600.0), "rate_of_change").any()


def test_a_fan_in_winter_is_no_fault() -> None:
    """0.3 m³/s through a booth of 22 m³ exchange its air in 73 s; outdoor air 20 K colder."""
    time_s = minutes(1.0, 30.0)
    fall_k = 20.0 * -np.expm1(-np.clip(time_s - 1800.0, 0.0, None) / 73.0)
    assert not flags_of(course(time_s, np.round(20.0 - fall_k, 2), 40.0)).any()


def test_what_comes_back_from_a_spike_is_no_leap() -> None:
    time_s = minutes(0.5)
    found = course(time_s, np.where(time_s == 900.0, 45.0, 20.0))
    assert time_s[marked(found, "rate_of_change")].tolist() == [900.0]


def test_after_a_long_silence_any_change_may_be() -> None:
    assert not marked(course([0.0, 8000.0], [20.0, 45.0]), "rate_of_change").any()


# -- stuck ----------------------------------------------------------------------------------------


def test_a_fine_sensor_that_holds_both_values_is_stuck_after_half_an_hour() -> None:
    time_s = minutes(3.0)
    air_c, rh_pct = breathing(time_s)
    holds = time_s >= 3600.0
    air_c[holds], rh_pct[holds] = air_c[60], rh_pct[60]
    assert time_s[marked(course(time_s, air_c, rh_pct), "stuck")][0] == 3600.0 + 1800.0


def test_one_value_that_moves_is_enough() -> None:
    time_s = minutes(12.0)
    air_c, _ = breathing(time_s)
    assert not marked(course(time_s, air_c, 100.0), "stuck").any()


def coarse(time_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Tenths and whole per cent: moves for an hour, and is still for the rest of the night."""
    awake = np.minimum(time_s, 3600.0)
    return np.round(20.0 - awake / 3600.0, 1), np.round(50.0 + awake / 600.0)


def test_a_coarse_sensor_is_still_in_a_quiet_night() -> None:
    time_s = minutes(6.4)
    assert not marked(course(time_s, *coarse(time_s)), "stuck").any()


def test_a_coarse_sensor_is_stuck_while_its_mate_moves() -> None:
    time_s = minutes(6.0)
    mate = course(time_s, *breathing(time_s))
    quiet = course(time_s, 20.0 + 0.03 * np.sin(time_s), 50.0)
    assert marked(course(time_s, *coarse(time_s)), "stuck", [mate])[-1]
    assert not marked(course(time_s, *coarse(time_s)), "stuck", [quiet]).any()


def test_whatever_the_sensor_a_whole_night_is_too_long() -> None:
    time_s = minutes(24.0)
    stuck = marked(course(time_s, *coarse(time_s)), "stuck")
    held_from_s = time_s[time_s > 3420.0][0] - 60.0  # 19.05 rounds to 19.0 from 57 minutes on
    assert time_s[stuck][0] == held_from_s + 5.5 * 3600.0
    assert stuck[-1]


# -- spike ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("readings", [1, 2, 3])
def test_readings_that_leave_and_come_back_are_marked_and_no_others(readings: int) -> None:
    time_s = minutes(1.0, 30.0)
    air_c, rh_pct = breathing(time_s)
    air_c[60 : 60 + readings] += 5.0
    found = marked(course(time_s, air_c, rh_pct), "spike")
    assert np.flatnonzero(found).tolist() == list(range(60, 60 + readings))


def test_four_readings_out_are_an_event() -> None:
    time_s = minutes(1.0, 30.0)
    air_c, rh_pct = breathing(time_s)
    air_c[60:64] += 5.0
    assert not marked(course(time_s, air_c, rh_pct), "spike").any()


def test_a_far_reading_is_marked_before_it_is_known_whether_it_comes_back() -> None:
    time_s = minutes(0.5, 30.0)
    air_c, rh_pct = breathing(time_s)
    air_c[-1] += 8.0
    assert marked(course(time_s, air_c, rh_pct), "spike").tolist()[-2:] == [False, True]
    air_c[-1] -= 5.5  # not so far: wait and see
    assert not marked(course(time_s, air_c, rh_pct), "spike").any()


def test_a_change_that_stays_is_no_spike_once_that_is_seen() -> None:
    time_s = minutes(1.0, 30.0)
    air_c, rh_pct = breathing(time_s)
    air_c[60:] += 8.0
    assert not marked(course(time_s, air_c, rh_pct), "spike").any()


def test_a_door_that_lets_in_cold_air_for_a_while_is_no_spike() -> None:
    """Down by 4 K within a minute, back with a time constant of five minutes."""
    time_s = minutes(1.0, 30.0)
    since_s = time_s - 1800.0
    dip_k = np.where(since_s < 0, 0.0, 4.0 * np.clip(since_s / 60.0, 0, 1))
    dip_k *= np.exp(-np.clip(since_s - 60.0, 0.0, None) / 300.0)
    assert not flags_of(course(time_s, np.round(20.0 - dip_k, 2))).any()


# -- jump after calibration -----------------------------------------------------------------------


def corrected(by_k: float, by_pct: float) -> tuple[np.ndarray, Course]:
    time_s = minutes(10.0)
    air_c, rh_pct = breathing(time_s)
    holds = (time_s >= 7200.0).astype(float)
    found = course(
        time_s,
        air_c,
        rh_pct,
        corrected_by=(by_k * holds, by_pct * holds),
        corrected_from_s=(7200.0,),
    )
    return time_s, found


@pytest.mark.parametrize(("by_k", "by_pct"), [(0.0, 9.0), (0.0, -15.0), (1.5, 0.0)])
def test_a_correction_beyond_the_uncertainty_wants_a_look(by_k: float, by_pct: float) -> None:
    time_s, found = corrected(by_k, by_pct)
    assert time_s[marked(found, "jump_after_calibration")].tolist() == [
        at for at in time_s if 7200.0 <= at < 7200.0 + 2 * 3600.0
    ]


def test_a_correction_is_seen_though_the_sensor_was_over_salt_meanwhile() -> None:
    _, found = corrected(0.0, 12.0)
    over_salt = (found.time_s >= START_S + 1800.0) & (found.time_s < START_S + 7200.0)
    assert marked(picked(found, ~over_salt), "jump_after_calibration").sum() == 120


def test_a_correction_within_it_does_not() -> None:
    _, found = corrected(-0.8, 5.0)
    assert not flags_of(found).any()


def test_a_sensor_taken_out_of_the_jar_is_marked_until_it_has_settled() -> None:
    time_s = minutes(6.0)
    air_c, rh_pct = breathing(time_s)
    rh_pct[(time_s >= 3600.0) & (time_s < 10_800.0)] = 75.5
    found = course(time_s, air_c, rh_pct, corrected_from_s=(10_800.0,))
    jumped = time_s[marked(found, "jump_after_calibration")]
    assert (jumped[0], jumped[-1]) == (10_800.0, 10_800.0 + 29 * 60.0)


# -- clocks ---------------------------------------------------------------------------------------


def test_a_clock_ahead_of_receipt_is_wrong_at_once() -> None:
    assert marked(course([0.0, 60.0], delay_s=[0.3, -45.0]), "clock_wrong").tolist() == [
        False,
        True,
    ]


@pytest.mark.parametrize("step_s", [1.0, 60.0])
def test_stamps_rounded_to_seconds_or_minutes_are_not_wrong(step_s: float) -> None:
    sent_s = minutes(24.0, 61.0) + 17.0
    stamps_s = np.unique(np.round(sent_s / step_s) * step_s)
    found = course(stamps_s, *breathing(stamps_s), delay_s=(sent_s + 0.4 - stamps_s))
    assert not flags_of(found).any()


@pytest.mark.parametrize("every_s", [10.0, 60.0, 600.0, 3600.0])
def test_one_delay_for_long_is_a_clock_behind(every_s: float) -> None:
    time_s = minutes(12.0, every_s)
    late = np.where(time_s < 4 * 3600.0, 0.3, 900.0)
    found = marked(course(time_s, delay_s=late), "clock_wrong")
    assert not found[time_s < 4 * 3600.0].any()
    assert found[-1]


@pytest.mark.parametrize("every_s", [5.0, 30.0, 600.0])
@pytest.mark.parametrize("gone_h", [0.3, 3.0, 30.0])
@pytest.mark.parametrize("a_second", [0.5, 50.0])
def test_readings_that_waited_in_a_buffer_have_no_wrong_clock(
    every_s: float, gone_h: float, a_second: float
) -> None:
    """The network is gone; then the oldest are sent first, while new ones wait behind them."""
    time_s = minutes(40.0, every_s)
    sent_s = time_s.copy()
    waits = (time_s >= 3600.0) & (time_s < 3600.0 + gone_h * 3600.0)
    sent_s[waits] = 3600.0 * (1.0 + gone_h)
    for i in range(1, sent_s.size):
        sent_s[i] = max(sent_s[i], sent_s[i - 1] + 1.0 / a_second)
    found = course(time_s, *breathing(time_s), delay_s=sent_s - time_s + 0.2)
    assert not flags_of(found).any()


def test_readings_of_a_logger_read_out_once_a_day_have_no_wrong_clock() -> None:
    time_s = minutes(24.0, 300.0)
    found = course(time_s, *breathing(time_s), delay_s=90_000.0 - time_s)
    assert not flags_of(found).any()


@pytest.mark.parametrize("ppm", [900.0, -900.0, 20_000.0, -50_000.0])
def test_a_clock_that_runs_wrong_is_drifting(ppm: float) -> None:
    time_s = minutes(5.0)
    rng = np.random.default_rng(3)
    delay_s = 200.0 + ppm * 1e-6 * time_s + 0.3 * rng.lognormal(0.0, 0.8, time_s.size)
    assert marked(course(time_s, delay_s=delay_s), "clock_drifting")[-1]


@pytest.mark.parametrize("ppm", [0.0, 100.0, -300.0])
def test_crystals_and_slewing_by_network_time_are_not(ppm: float) -> None:
    # Crystals keep 20 to 100 ppm (data sheets); network time slews by at most 500 ppm (RFC 5905).
    time_s = minutes(24.0)
    rng = np.random.default_rng(3)
    delay_s = 30.0 + ppm * 1e-6 * time_s + 0.5 * rng.lognormal(0.0, 1.2, time_s.size)
    found = course(time_s, *breathing(time_s), delay_s=delay_s)
    assert not flags_of(found).any()


# -- disagreement ---------------------------------------------------------------------------------


def three(off_k: float = 0.0, off_pct: float = 0.0) -> list[Course]:
    time_s = minutes(2.0)
    later = np.where(time_s >= 3600.0, 1.0, 0.0)
    made = []
    for i in range(3):
        air_c, rh_pct = breathing(time_s, i)
        if i == 0:
            air_c, rh_pct = air_c + off_k * later, rh_pct + off_pct * later
        made.append(course(time_s + 20.0 * i, air_c, rh_pct))
    return made


@pytest.mark.parametrize(("off_k", "off_pct"), [(4.0, 0.0), (0.0, -20.0)])
def test_of_three_the_odd_one_out_is_marked(off_k: float, off_pct: float) -> None:
    mad, one, other = three(off_k, off_pct)
    times_s = mad.time_s[marked(mad, "disagrees", [one, other])] - START_S
    # Known after ten minutes; up to one reading later, for the mates stand between its readings.
    assert 4200.0 <= times_s[0] <= 4260.0
    assert times_s[-1] == 7200.0
    assert not marked(one, "disagrees", [mad, other]).any()
    assert not marked(other, "disagrees", [mad, one]).any()


def test_of_two_both_are_marked() -> None:
    mad, one, _ = three(4.0)
    assert marked(mad, "disagrees", [one])[-1]
    assert marked(one, "disagrees", [mad])[-1]


def test_a_mate_that_fell_silent_says_nothing() -> None:
    mad, one, _ = three(4.0)
    silent = course(minutes(0.9), 20.0)
    assert not marked(mad, "disagrees", [silent]).any()
    assert not marked(mad, "disagrees", [course([])]).any()
    assert marked(mad, "disagrees", [silent, one])[-1]


def test_a_slower_housing_does_not_contradict() -> None:
    """Air falls by 8 K within minutes; one sensor lags by half a minute, the other by three."""
    time_s = minutes(2.0, 30.0)
    since_s = np.clip(time_s - 3600.0, 0.0, None)
    quick, slow = (
        course(time_s, 20.0 - 8.0 * -np.expm1(-since_s / lag_s), 50.0) for lag_s in (90.0, 240.0)
    )
    assert not marked(quick, "disagrees", [slow]).any()
    assert not marked(slow, "disagrees", [quick]).any()


# -- battery --------------------------------------------------------------------------------------


def test_a_low_battery_is_marked_and_an_untold_one_is_not() -> None:
    levels = [80.0, 11.0, 9.9, np.nan, 0.0]
    found = marked(course(minutes(0.1)[:5], battery_pct=levels), "battery_low")
    assert found.tolist() == [False, False, True, False, True]
