"""How often somebody may guess, counted in the database."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

from equipment import SetClock

from service.store.attempts import Attempts
from service.store.db import Database

MINUTE = timedelta(minutes=1)
AT_ONCE = timedelta()


def attempts(database: Database, clock: SetClock) -> Attempts:
    return Attempts(database, clock, "codes", 2, 5, MINUTE)


def test_wrong_tries_are_forgotten_in_time_and_bounded_over_all(
    database: Database, clock: SetClock
) -> None:
    mine = attempts(database, clock)
    assert mine.begin("a") == AT_ONCE
    clock.advance(seconds=10)
    assert mine.begin("a") == AT_ONCE
    assert mine.begin("a") == timedelta(seconds=50)  # until the first of the two is a minute old
    assert mine.begin("b") == AT_ONCE
    clock.advance(seconds=50)
    assert mine.begin("a") == AT_ONCE
    for number in range(2):
        assert mine.begin(f"c{number}") == AT_ONCE
    assert mine.begin("somebody else") == timedelta(seconds=10)  # those of "a", "b", "a" and two


def test_another_worker_counts_on_and_so_does_whoever_starts_anew(
    database: Database, clock: SetClock
) -> None:
    assert attempts(database, clock).begin("a") == AT_ONCE
    assert attempts(database, clock).begin("a") == AT_ONCE
    assert attempts(database, clock).begin("a") == MINUTE


def test_what_was_right_was_no_guess(database: Database, clock: SetClock) -> None:
    mine = attempts(database, clock)
    for _ in range(7):
        assert mine.begin("a") == AT_ONCE
        mine.right("a")


def test_many_at_once_are_counted_one_by_one(database: Database, clock: SetClock) -> None:
    with ThreadPoolExecutor(8) as pool:
        waits = list(pool.map(lambda _: attempts(database, clock).begin("a"), range(8)))
    assert sorted(waits) == [AT_ONCE] * 2 + [MINUTE] * 6
