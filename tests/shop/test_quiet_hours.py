"""Quiet hours against a walk along the wall clock, minute by minute, through changes of the clocks.

Python's zoneinfo (the IANA database) says what the wall clock shows.
"""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.shop.quiet import QuietHours

ZONES = [ZoneInfo(n) for n in ("Europe/Lisbon", "America/New_York", "Australia/Lord_Howe", "UTC")]
# Days around which these zones change their clocks, and a quiet one.
DAYS = [
    datetime(2025, 3, 29, 12, tzinfo=UTC),
    datetime(2025, 10, 25, 12, tzinfo=UTC),
    datetime(2025, 3, 8, 12, tzinfo=UTC),
    datetime(2025, 11, 1, 12, tzinfo=UTC),
    datetime(2025, 4, 5, 3, tzinfo=UTC),
    datetime(2025, 10, 4, 3, tzinfo=UTC),
    datetime(2025, 6, 11, 12, tzinfo=UTC),
]
MINUTE = timedelta(minutes=1)
CLOCK = st.builds(time, st.integers(0, 23), st.sampled_from([0, 15, 30, 59]))


def quiet_on_the_wall(at: datetime, zone: ZoneInfo, begin: time, end: time) -> bool:
    shown = at.astimezone(zone)
    minute, first, last = (60 * t.hour + t.minute for t in (shown, begin, end))
    return (minute - first) % 1440 < (last - first) % 1440


@given(
    st.sampled_from(ZONES),
    st.sampled_from(DAYS),
    st.integers(0, 36 * 60),
    CLOCK,
    CLOCK,
)
def test_the_end_is_the_first_minute_that_is_not_quiet(zone, day, minutes, begin, end):
    if begin == end:
        return
    quiet, at = QuietHours(begin, end), day + minutes * MINUTE
    first = at
    while quiet_on_the_wall(first, zone, begin, end):
        first += MINUTE
    found = quiet.release(at, zone)
    assert not quiet_on_the_wall(found, zone, begin, end)
    # Where clocks jump over the end (by an hour at most in these zones), it may be late by that.
    wall = datetime.combine(first.astimezone(zone).date(), end, zone)
    jumped_over = wall.astimezone(UTC).astimezone(zone).replace(tzinfo=None) != wall.replace(
        tzinfo=None
    )
    assert first <= found <= first + (timedelta(hours=1) if jumped_over else timedelta(0))
    assert (found == at) == (not quiet.holds(at, zone))


def test_the_night_of_the_change_is_as_long_as_it_is():
    # Lisbon, 30 March 2025: clocks go from 01:00 to 02:00; 26 October 2025: from 02:00 to 01:00.
    zone, quiet = ZoneInfo("Europe/Lisbon"), QuietHours(time(22), time(7))
    spring = quiet.release(datetime(2025, 3, 29, 22, 0, tzinfo=UTC), zone)
    autumn = quiet.release(datetime(2025, 10, 25, 21, 0, tzinfo=UTC), zone)
    assert spring == datetime(2025, 3, 30, 6, 0, tzinfo=UTC)
    assert autumn == datetime(2025, 10, 26, 7, 0, tzinfo=UTC)


def test_an_end_that_comes_twice_and_is_quiet_again_between():
    # 01:30 comes twice in Lisbon on 26 October 2025: at 00:30 and 01:30 UTC.
    zone, quiet = ZoneInfo("Europe/Lisbon"), QuietHours(time(22), time(1, 30))
    assert quiet.release(datetime(2025, 10, 26, 0, 10, tzinfo=UTC), zone) == datetime(
        2025, 10, 26, 0, 30, tzinfo=UTC
    )
    assert quiet.release(datetime(2025, 10, 26, 1, 10, tzinfo=UTC), zone) == datetime(
        2025, 10, 26, 1, 30, tzinfo=UTC
    )


def test_quiet_hours_must_have_a_length():
    with pytest.raises(ValueError, match="same time"):
        QuietHours(time(7), time(7))
