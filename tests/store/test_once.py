"""A costly answer is reckoned once, however many ask for it at the same time."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor

import pytest

from service.store.once import Once


def test_whoever_asks_meanwhile_waits_for_the_one_who_reckons() -> None:
    once: Once[str, int] = Once(4)
    entered, go_on, times = threading.Event(), threading.Event(), []

    def make() -> int:
        times.append(1)
        entered.set()
        assert go_on.wait(30)
        return 7

    with ThreadPoolExecutor(5) as pool:
        first = pool.submit(once.get, "a", make)
        assert entered.wait(30)
        others = [pool.submit(once.get, "a", make) for _ in range(4)]
        assert not any(other.done() for other in others)
        go_on.set()
        assert [f.result(30) for f in (first, *others)] == [7] * 5
    assert len(times) == 1


def test_an_error_goes_to_who_asked_and_the_next_one_tries_again() -> None:
    once: Once[str, int] = Once(4)

    def fail() -> int:
        raise ValueError("no such film")

    for _ in range(2):
        with pytest.raises(ValueError, match="no such film"):
            once.get("a", fail)
    assert once.get("a", lambda: 3) == 3


def test_what_was_not_asked_for_longest_goes_first() -> None:
    once: Once[str, str] = Once(2)
    for key in "ab":
        once.get(key, lambda key=key: f"first {key}")
    once.get("a", lambda: "second a")
    once.get("c", lambda: "first c")
    assert once.get("a", lambda: "second a") == "first a"
    assert once.get("b", lambda: "second b") == "second b"
