"""Looks at many shops: soon after something happened, not at every reading, and now and then."""

from __future__ import annotations

import pytest

from service.worker import pace
from service.worker.pace import AT_EVERY_TURN, Due, Pace


def test_it_is_time_soon_after_something_happened_and_else_seldom(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    now = 100.0
    monkeypatch.setattr(pace.time, "monotonic", lambda: now)
    due, own = Due(), Pace(60.0, 5.0)
    assert due.now(own)  # at the start nobody knows what has happened
    due.wake()
    now = 104.9
    assert not due.now(own)
    now = 105.0
    assert due.now(own)
    now = 164.9
    assert not due.now(own)
    now = 165.0
    assert due.now(own)
    assert due.now(AT_EVERY_TURN)
    assert due.now(AT_EVERY_TURN)
