"""Halves of readings: joined however they come, and no message lost or given back twice."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sensors import halves
from sensors.halves import NEAR, SPAN, Half, Joiner, Outcome
from sensors.wire import PayloadError, Report

NOW = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)


def at(second: float) -> datetime:
    return NOW + timedelta(seconds=second)


def half(quantity: str, second: float, value: float = 20.0, sensor: str = "a") -> Half:
    return Half("booth", sensor, at(second), quantity, value, timed=True)


class Desk:
    """A joiner whose clock is told; what it gives back is kept."""

    def __init__(self) -> None:
        self.joiner: Joiner[int] = Joiner()
        self.done: list[Outcome[int]] = []
        self.taken = 0

    def take(self, one: Half, second: float) -> int:
        self.done += self.joiner.due(at(second))
        self.taken += 1
        self.done += self.joiner.take(one, self.taken, at(second))
        return self.taken

    def wait(self, second: float) -> None:
        self.done += self.joiner.due(at(second))

    @property
    def readings(self) -> list[tuple[float, float, float]]:
        return [
            ((d.result.at - NOW).total_seconds(), d.result.air_c, d.result.rh_pct)
            for d in self.done
            if isinstance(d.result, Report)
        ]

    @property
    def refusals(self) -> list[PayloadError]:
        return [d.result for d in self.done if isinstance(d.result, PayloadError)]

    @property
    def given_back(self) -> list[int]:
        return [token for d in self.done for _, token in d.tokens]


@pytest.fixture
def desk() -> Desk:
    return Desk()


@pytest.mark.parametrize("first", ["air_c", "rh_pct"])
def test_a_burst_is_one_reading_at_its_later_half(desk, first):
    second = "rh_pct" if first == "air_c" else "air_c"
    desk.take(half(first, 0), 0)
    assert desk.done == []
    desk.take(half(second, 0.2), 0.2)
    assert desk.readings == [(0.2, 20.0, 20.0)]
    assert sorted(desk.given_back) == [1, 2]
    assert desk.joiner.waiting == 0


def test_a_sensor_that_sends_only_what_changed(desk):
    desk.take(half("air_c", 0, 20.0), 0)
    desk.take(half("rh_pct", 0.1, 50.0), 0.1)
    desk.take(half("air_c", 60, 20.5), 60)
    assert len(desk.readings) == 1  # its humidity may be on its way
    desk.wait(60 + NEAR.total_seconds())
    assert desk.readings[1:] == [(60, 20.5, 50.0)]
    assert sorted(desk.given_back) == [1, 2, 3]


def test_a_fresh_half_is_not_joined_with_a_used_one(desk):
    for n in range(5):
        desk.take(half("air_c", 30 * n, 20.0 + n), 30 * n)
        desk.take(half("rh_pct", 30 * n + 1, 50.0 + n), 30 * n + 1)
    assert desk.readings == [(30 * n + 1, 20.0 + n, 50.0 + n) for n in range(5)]


def test_alone_it_waits_for_the_span_and_is_given_back_with_the_reason(desk):
    desk.take(half("air_c", 0, 20.0), 0)
    desk.wait(SPAN.total_seconds() - 0.1)
    assert desk.done == []
    desk.wait(SPAN.total_seconds())
    (refusal,) = desk.refusals
    assert refusal.field == "rh_pct"
    assert refusal.reason == "did not come within 120 s of air_c = 20"
    assert desk.given_back == [1]


def test_halves_too_far_apart_are_not_one_air(desk):
    desk.take(half("air_c", 0), 500)
    desk.take(half("rh_pct", 121), 500)
    desk.wait(500 + NEAR.total_seconds())
    assert desk.readings == []
    desk.wait(500 + SPAN.total_seconds())
    assert len(desk.refusals) == 2


def test_sensors_are_kept_apart(desk):
    desk.take(half("air_c", 0, sensor="a"), 0)
    desk.take(half("rh_pct", 0, sensor="b"), 0)
    desk.wait(SPAN.total_seconds())
    assert desk.readings == []
    assert sorted(desk.given_back) == [1, 2]


def test_what_comes_by_itself_goes_with_the_next_reading_while_it_lasts(desk):
    desk.take(half("battery_pct", 0, 80.0), 0)
    desk.take(half("surface_c", 0, 19.0), 0)
    assert desk.given_back == [1, 2]  # they do not wait
    desk.take(half("air_c", 100), 100)
    desk.take(half("rh_pct", 100), 100)
    desk.take(half("air_c", 3000), 3000)
    desk.take(half("rh_pct", 3000), 3000)
    found = [d.result for d in desk.done if isinstance(d.result, Report)]
    assert [(r.battery_pct, r.surface_c) for r in found] == [(80.0, 19.0), (80.0, None)]


def test_what_is_sent_again_while_it_waits_is_one(desk):
    desk.take(half("air_c", 0), 0)
    desk.take(half("air_c", 0), 1)
    desk.take(half("rh_pct", 0), 2)
    assert len(desk.readings) == 1
    assert sorted(desk.given_back) == [1, 2, 3]


def test_what_is_sent_again_afterwards_makes_the_same_reading(desk):
    # A crash between commit and acknowledgement: both come again, and land on the same instant.
    for second in (0, 1):
        desk.take(half("air_c", 0, 20.0), second)
        desk.take(half("rh_pct", 0.1, 50.0), second)
    assert desk.readings == [(0.1, 20.0, 50.0)] * 2


def test_where_too_many_wait_what_went_first_is_still_joined(desk):
    desk.joiner.waiting_most = 3
    for n in range(10):
        desk.take(half("air_c", 10 * n), 0)
    assert desk.joiner.waiting == 3
    for n in range(10):
        desk.take(half("rh_pct", 10 * n), 1)
    assert len(desk.readings) == 10
    assert len(desk.refusals) == 7
    assert sorted(desk.given_back) == list(range(1, 21))


def test_what_waits_and_what_is_remembered_is_bounded(desk, monkeypatch):
    desk.joiner.waiting_most = 10
    monkeypatch.setattr(halves, "REMEMBERED_MOST", 30)
    monkeypatch.setattr(halves, "STREAMS_MOST", 20)
    for n in range(300):
        desk.take(half("air_c", 0, sensor=f"s{n}"), 0)
        desk.take(half("battery_pct", 0, sensor=f"b{n}"), 0)
        desk.take(half("air_c", 0, sensor=f"p{n}"), 0)
        desk.take(half("rh_pct", 0, sensor=f"p{n}"), 0)
        assert desk.joiner.waiting <= 10
        kept = [k for s in desk.joiner._streams.values() for k in s.halves]
        assert len(kept) <= 30
        # Streams with nothing that waits are let go; those with halves are bounded by these.
        assert len(desk.joiner._streams) <= 20 + 30
    assert "10 more messages waited" in desk.refusals[0].reason
    desk.wait(3 * SPAN.total_seconds())
    assert sorted(desk.given_back) == list(range(1, desk.taken + 1))


# -- properties -----------------------------------------------------------------------------

EVENTS = st.lists(
    st.tuples(
        st.sampled_from(["air_c", "rh_pct", "surface_c", "battery_pct"]),
        st.sampled_from(["a", "b"]),
        st.floats(-300, 300),  # its instant, against its coming
        st.floats(0, 90),  # seconds until it comes
        st.sampled_from([20.0, 21.0]),
    ),
    max_size=40,
)


@given(EVENTS)
def test_every_message_is_given_back_once_and_no_reading_mixes_two_airs(events):
    desk, now = Desk(), 0.0
    sent: dict[int, Half] = {}
    for quantity, sensor, shift, later, value in events:
        now += later
        one = half(quantity, now + shift, value, sensor)
        sent[desk.take(one, now)] = one
    assert desk.joiner.waiting == len(sent) - len(desk.given_back)
    desk.wait(now + SPAN.total_seconds())
    assert desk.joiner.waiting == 0
    assert sorted(desk.given_back) == sorted(sent)
    for outcome in desk.done:
        for quantity, token in outcome.tokens:
            assert sent[token].quantity == quantity
        if isinstance(outcome.result, Report):
            of = outcome.result
            assert all(sent[token].sensor == of.sensor for _, token in outcome.tokens)
            assert max(sent[token].at for _, token in outcome.tokens) <= of.at
            for name, value in (("air_c", of.air_c), ("rh_pct", of.rh_pct)):
                assert any(
                    (h.quantity, h.sensor, h.value) == (name, of.sensor, value)
                    and of.at - h.at <= SPAN
                    for h in sent.values()
                )


BURSTS = st.lists(st.integers(20, 200), min_size=1, max_size=8)


@given(BURSTS, st.randoms(use_true_random=False), st.integers(0, 3))
def test_swapped_repeated_and_late_bursts_make_the_same_readings(gaps, random, again):
    # Bursts of two halves a second apart; each burst's messages come in any order, some twice,
    # and a whole burst may come with the one after it.
    seconds = [sum(gaps[: n + 1]) for n in range(len(gaps))]
    want = {(second + 1, 20.0 + n, 50.0 + n) for n, second in enumerate(seconds)}
    desk = Desk()
    random.shuffle(waves := list(range(len(seconds))))
    for wave, n in enumerate(waves):
        burst = [half("air_c", seconds[n], 20.0 + n), half("rh_pct", seconds[n] + 1, 50.0 + n)]
        burst += random.choices(burst, k=again)
        random.shuffle(burst)
        for one in burst:
            desk.take(one, 1000 + 0.1 * wave)
    desk.wait(1000 + 10 * SPAN.total_seconds())
    assert set(desk.readings) == want
    assert sorted(desk.given_back) == list(range(1, desk.taken + 1))


@given(EVENTS, st.integers(0, 39))
def test_after_a_crash_what_was_not_given_back_comes_again_and_is_not_lost(events, crash):
    # The broker keeps what was not acknowledged and sends it again, oldest first.
    desk, now = Desk(), 0.0
    sent: dict[int, Half] = {}
    for quantity, sensor, shift, later, value in events[:crash]:
        now += later
        one = half(quantity, now + shift, value, sensor)
        sent[desk.take(one, now)] = one
    left = [sent[token] for token in sorted(sent.keys() - set(desk.given_back))]
    second = Desk()
    for one in left:
        second.take(one, now)
    for quantity, sensor, shift, later, value in events[crash:]:
        now += later
        second.take(half(quantity, now + shift, value, sensor), now)
    second.wait(now + SPAN.total_seconds())
    assert sorted(second.given_back) == list(range(1, second.taken + 1))


def test_an_instant_that_nobody_named_is_said(desk):
    desk.take(replace(half("air_c", 0), timed=False), 0)
    desk.take(half("rh_pct", 0), 0)
    (outcome,) = desk.done
    assert isinstance(outcome.result, Report)
    assert not outcome.result.timed
