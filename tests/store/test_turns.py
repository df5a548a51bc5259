"""Writers take turns: nobody overtakes, and nobody waits for ever."""

from __future__ import annotations

import threading
import time
from datetime import UTC, datetime, timedelta

import pytest

from service.store.readings import NewReading, record_batch
from service.store.settling import settle
from service.store.turns import Turns


def test_first_come_first_served_even_beside_one_who_asks_again_at_once():
    turns, order = Turns(10.0), []
    stop = threading.Event()

    def greedy() -> None:
        while not stop.is_set():
            with turns.turn():
                order.append("greedy")
                time.sleep(0.01)

    thread = threading.Thread(target=greedy)
    thread.start()
    time.sleep(0.05)
    for _ in range(5):
        before = len(order)
        with turns.turn():
            # At most the turn under way and the one that was asked for before ours.
            assert len(order) - before <= 2
    stop.set()
    thread.join()
    assert len(order) >= 5


def test_the_turn_is_handed_on_after_an_error():
    turns = Turns(10.0)
    with pytest.raises(ValueError, match="invalid"), turns.turn():
        int("no number")
    with turns.turn():
        pass


def test_who_has_waited_long_goes_on_all_the_same():
    turns, came = Turns(0.05), []
    with turns.turn():
        thread = threading.Thread(target=lambda: _come(turns, came))
        thread.start()
        thread.join(5)
        assert came == ["came"]
    with turns.turn():
        came.append("again")
    assert came == ["came", "again"]


def _come(turns: Turns, came: list[str]) -> None:
    with turns.turn():
        came.append("came")


def test_a_place_marked_again_and_again_does_not_keep_another_waiting(database):
    at = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)

    def read(place: str, second: int) -> None:
        when = at + timedelta(seconds=second)
        with database.write() as session:
            record_batch(session, [NewReading(place, "wall", when, when, 20.0, 50.0)])

    for place in ("booth", "rack", "store"):
        read(place, 0)
    settled, latest = [], ""
    for second in range(3):
        with database.write() as session:
            (latest,) = settle(session, latest)
        settled.append(latest)
        read("booth", 30 * (second + 1))
    assert settled == ["booth", "rack", "store"]
