"""Messages one by one, batches out."""

from __future__ import annotations

import threading
import time
from datetime import UTC, datetime

from service.intake.arrivals import Arrival
from service.intake.waiting import Waiting

NOW = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)


def arrival(number: int) -> Arrival:
    return Arrival("boothglass/booth/wall", str(number).encode(), 1, NOW)


def take(waiting: Waiting, most: int = 100, idle_s: float = 0.01) -> list[int]:
    batch = waiting.take(most, idle_s=idle_s, lull_s=0.01, longest_s=0.05)
    return [int(a.payload) for a in batch]


def test_in_order_and_no_more_than_asked_for():
    waiting = Waiting(10)
    for number in range(5):
        assert waiting.put(arrival(number), 0.0)
    assert len(waiting) == 5
    assert take(waiting, most=3) == [0, 1, 2]
    assert take(waiting) == [3, 4]
    assert take(waiting) == []


def test_full_is_full_until_something_is_taken():
    waiting = Waiting(2)
    assert waiting.put(arrival(0), 0.0)
    assert waiting.put(arrival(1), 0.0)
    assert not waiting.put(arrival(2), 0.0)
    assert not waiting.put(arrival(2), 0.05)
    taker = threading.Timer(0.05, lambda: take(waiting))
    taker.start()
    assert waiting.put(arrival(2), 20.0)
    taker.join()
    assert take(waiting) == [2]


def test_the_taker_is_woken_by_the_first():
    waiting = Waiting(10)
    putter = threading.Timer(0.1, lambda: waiting.put(arrival(7), 0.0))
    putter.start()
    assert take(waiting, idle_s=20.0) == [7]
    putter.join()


def test_a_batch_is_closed_though_messages_keep_coming():
    waiting, stop = Waiting(100_000), threading.Event()

    def keep_putting() -> None:
        while not stop.is_set():
            waiting.put(arrival(1), 0.0)
            time.sleep(0.001)

    putter = threading.Thread(target=keep_putting)
    putter.start()
    assert take(waiting, most=100_000, idle_s=20.0)
    stop.set()
    putter.join()
