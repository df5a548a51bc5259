"""The one clock: real, driven, kept over a restart, never backwards."""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from service.clock import ClockError, DrivenClock, WallClock

START = datetime(2026, 4, 6, 8, tzinfo=UTC)


def test_the_wall_clock_is_the_machines_and_aware() -> None:
    now = WallClock().now()
    assert now.tzinfo is UTC
    assert abs(now.timestamp() - time.time()) < 5


def test_a_driven_clock_runs_at_its_rate() -> None:
    clock = DrivenClock(START, 3600.0)
    began = time.monotonic()
    time.sleep(0.2)
    passed = (clock.now() - START).total_seconds()
    real = time.monotonic() - began
    # The sleep lies between both readings of the real clock, give or take what lies around it.
    assert 0.2 * 3600 <= passed <= (real + 0.5) * 3600


def test_a_driven_clock_goes_on_after_a_restart(tmp_path: Path) -> None:
    kept = tmp_path / "clock.json"
    clock = DrivenClock(START, 60.0, kept)
    clock.drive(now=START + timedelta(days=3))
    again = DrivenClock(START, 60.0, kept)
    assert again.now() >= START + timedelta(days=3)
    assert again.rate == 60.0


def test_a_new_rate_at_restart_counts_from_then_on(tmp_path: Path) -> None:
    kept = tmp_path / "clock.json"
    DrivenClock(START, 60.0, kept).drive(now=START + timedelta(days=3))
    again = DrivenClock(START, 1.0, kept)
    assert again.rate == 1.0
    assert again.now() >= START + timedelta(days=3)


def test_a_clock_is_never_driven_back() -> None:
    clock = DrivenClock(START, 1.0)
    with pytest.raises(ClockError, match="now"):
        clock.drive(now=START - timedelta(seconds=1))


@pytest.mark.parametrize("rate", [0.0, 0.5, 3601.0, float("nan"), float("inf"), -1.0])
def test_a_rate_outside_its_range_is_refused_by_name(rate: float) -> None:
    with pytest.raises(ClockError, match="rate"):
        DrivenClock(START, rate)


def test_a_time_without_a_zone_is_refused() -> None:
    with pytest.raises(ClockError, match="time zone"):
        DrivenClock(datetime(2026, 4, 6, 8), 1.0)  # noqa: DTZ001 -- the very thing refused


def test_a_broken_anchor_says_which_file_to_remove(tmp_path: Path) -> None:
    kept = tmp_path / "clock.json"
    kept.write_text("{")
    with pytest.raises(ClockError, match=r"clock\.json"):
        DrivenClock(START, 1.0, kept)
