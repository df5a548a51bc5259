"""What a reading may say at all: ranges, clocks, and readings of unknown age."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from sensors.payloads import PayloadError, Report
from service.intake.check import checked

NOW = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
GOOD = Report("booth", "wall", NOW, 20.0, 50.0, 19.0, 101_325.0)


def refused(**changes: object) -> str:
    waited = bool(changes.pop("waited", False))
    with pytest.raises(PayloadError) as caught:
        checked(GOOD._replace(**changes), now=NOW, waited=waited)
    return caught.value.field


def test_a_good_reading_is_kept_as_sent():
    reading = checked(GOOD, now=NOW)
    assert (reading.place, reading.sensor, reading.at) == ("booth", "wall", NOW)
    assert (reading.air_c, reading.rh_pct) == (20.0, 50.0)
    assert (reading.surface_c, reading.pressure_pa) == (19.0, 101_325.0)


@pytest.mark.parametrize(
    ("field", "low", "high"),
    [
        ("air_c", -40.0, 60.0),
        ("rh_pct", 0.0, 105.0),
        ("surface_c", -40.0, 80.0),
        ("pressure_pa", 50_000.0, 110_000.0),
    ],
)
def test_ranges_include_their_ends(field, low, high):
    for value in (low, high):
        checked(GOOD._replace(**{field: value}), now=NOW)
    for value in (low - 0.01, high + 0.01, float("nan"), float("inf")):
        assert refused(**{field: value}) == field


def test_a_wet_sensor_over_100_is_kept_as_sent():
    assert checked(GOOD._replace(rh_pct=103.2), now=NOW).rh_pct == 103.2


@pytest.mark.parametrize(
    ("sent", "kept"), [(None, None), (63.6, 64), (101.0, 100), (3100.0, None), (-1.0, None)]
)
def test_a_battery_that_cannot_be_is_no_cause_to_lose_a_reading(sent, kept):
    assert checked(GOOD._replace(battery_pct=sent), now=NOW).battery_pct == kept


def test_rh_140_is_refused():
    assert refused(rh_pct=140.0) == "rh_pct"


def test_a_clock_that_is_a_little_ahead_is_kept_as_sent():
    # Sent again after a break it must be the same instant, or it would be kept twice.
    ahead = NOW + timedelta(seconds=120)
    assert checked(GOOD._replace(at=ahead), now=NOW).at == ahead


@pytest.mark.parametrize(
    "at",
    [
        NOW + timedelta(seconds=121),
        datetime(2035, 1, 1, tzinfo=UTC),
        datetime(1999, 12, 31, 23, 59, tzinfo=UTC),
        datetime(1970, 1, 1, tzinfo=UTC),  # a board whose clock was never set
    ],
)
def test_a_clock_that_cannot_be_right(at):
    assert refused(at=at) == "at"


def test_late_readings_are_welcome():
    late = NOW - timedelta(days=400)
    assert checked(GOOD._replace(at=late), now=NOW, waited=True).at == late


def test_unknown_age_is_no_age():
    untimed = GOOD._replace(timed=False)
    assert checked(untimed, now=NOW).at == NOW
    assert refused(timed=False, waited=True) == "at"
