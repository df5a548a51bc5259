"""What is told, and under which key: the key is what keeps it from being told twice."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from service.shop.cards import InstrumentCard, NextAct
from service.shop.notices import SensorState, closing_notice, ready_notice, silent_notice
from service.shop.projection import ReadyTime

NOW = datetime(2026, 4, 6, 9, tzinfo=UTC)
REACHED = ReadyTime(
    "recoat", 1.0, 1.1, 1.0, NOW, NOW, NOW,
    reached=True, surely=False, gap_h=0.0, trailing_gap_h=0.0, basis="common practice",
)  # fmt: skip
CARD = InstrumentCard(
    id=3, shop_number="41", kind="tenor ukulele", woods="mahogany", plate_mm=2.2,
    schedule_id="lacquer-clear", schedule_name="Clear", place_id="booth", steps_done=3, steps=8,
    act=NextAct(
        "ready", "clear", "clear_coat", "Clear coats", "", "nitro-lacquer-gun", 8, 10, REACHED, ""
    ),
    marks=(REACHED,), last_coat_id=17, last_coat_at=NOW - timedelta(hours=1),
)  # fmt: skip


def test_a_reached_mark_is_told_under_its_coat_and_mark() -> None:
    told = ready_notice(CARD)
    assert told is not None
    assert (told.key, told.kind) == ("ready:17:recoat", "recoat-ready")
    assert "41" in told.text
    assert "8 of 10" in told.text


def test_a_mark_that_is_not_reached_is_not_told() -> None:
    waiting = replace(REACHED, reached=False, clock=0.9)
    assert ready_notice(replace(CARD, act=replace(CARD.act, wait=waiting))) is None


def test_without_fresh_readings_it_is_told_late_and_says_so() -> None:
    blind = replace(REACHED, trailing_gap_h=2.0)
    assert ready_notice(replace(CARD, act=replace(CARD.act, wait=blind))) is None
    told = ready_notice(replace(CARD, act=replace(CARD.act, wait=replace(blind, surely=True))))
    assert told is not None
    assert "without fresh readings" in told.text


def test_each_silence_has_its_own_key() -> None:
    def key(last_at: datetime) -> str:
        told = silent_notice(
            SensorState("booth", "wall", last_at),
            now=NOW,
            listening_since=NOW - timedelta(days=1),
            stale_after_s=600.0,
        )
        assert told is not None
        return told.key

    first, second = NOW - timedelta(hours=5), NOW - timedelta(hours=1)
    assert key(first) == key(first)
    assert key(first) != key(second)


def test_a_window_is_told_shortly_before_it_may_close_and_only_then() -> None:
    # Open from NOW on, may close eight hours later: two hours ahead is time to mix and spray.
    wait = replace(
        REACHED, closes_from=NOW + timedelta(hours=8), closes_at=NOW + timedelta(hours=10)
    )
    card = replace(CARD, act=replace(CARD.act, wait=wait))

    def told(hours: float) -> bool:
        return closing_notice(card, NOW + timedelta(hours=hours)) is not None

    assert [told(h) for h in (0.0, 5.9, 6.1, 7.9, 8.1)] == [False, False, True, True, False]
    assert closing_notice(CARD, NOW) is None  # a window that never closes
    handwork = replace(card, act=replace(card.act, coat_number=None, coats=None))
    assert closing_notice(handwork, NOW + timedelta(hours=7)) is None
