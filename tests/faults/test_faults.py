"""Every fault, a few rounds of each; ``python deploy/fault_table.py`` makes fifty and the table."""

from __future__ import annotations

import pytest
import scenarios
from scenarios import Told

pytestmark = [pytest.mark.real, pytest.mark.slow]


def whole(told: Told) -> None:
    """Nothing acknowledged is lost, nothing lands twice, all is as a rebuild makes it."""
    assert told.outcome.good, told
    assert told.outcome.broker_lost == 0, told
    assert told.outcome.set_aside == 0, told
    assert told.outcome.acknowledged == told.outcome.sent, told


def test_the_service_is_killed_under_load(tmp_path):
    whole(scenarios.service_killed(tmp_path, 4))


def test_the_broker_is_killed_under_load(tmp_path):
    told = scenarios.broker_killed(tmp_path, 4)
    assert told.outcome.good, told
    assert told.outcome.acknowledged > 0


def test_the_disk_is_full(tmp_path):
    whole(scenarios.disk_full(tmp_path, 1))


def test_the_broker_is_gone_for_an_hour(tmp_path):
    whole(scenarios.broker_gone(tmp_path, 2))


def test_the_database_is_locked_for_longer_than_the_service_waits(tmp_path):
    whole(scenarios.database_locked(tmp_path, 1, busy_timeout_ms=300))


def test_the_clock_is_stepped(tmp_path):
    whole(scenarios.clock_stepped(tmp_path, 2))


def test_readings_from_an_hour_ahead_are_set_aside_and_kept(tmp_path):
    told = scenarios.clock_behind(tmp_path, 1)
    assert told.outcome.good, told
    assert told.outcome.broker_lost == 0
    assert 0 < told.outcome.set_aside < told.outcome.sent
