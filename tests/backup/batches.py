"""Readings for back-ups: batches that land all or none, and more of them while one is made."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta

from equipment import eventually

from service.store.db import Database
from service.store.readings import NewReading, record_batch

__all__ = ["AT", "coming", "readings"]

AT = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)


def readings(n: int, many: int = 2) -> list[NewReading]:
    """A batch that lands all or none: ``many`` sensors at one instant."""
    at = AT + timedelta(seconds=30 * n)
    return [NewReading("booth", f"s{i}", at, at, 18.0 + n % 9 / 50, 55.0) for i in range(many)]


@contextmanager
def coming(url: str) -> Iterator[list[int]]:
    """Let batches from the fiftieth on keep coming; yields the numbers of those written."""
    database, stop, written = Database(url), threading.Event(), list[int]()

    def keep_coming() -> None:
        n = 50
        while not stop.is_set():
            with database.write() as session:
                record_batch(session, readings(n))
            written.append(n)
            n += 1

    thread = threading.Thread(target=keep_coming)
    thread.start()
    try:
        eventually(lambda: len(written) > 5)
        yield written
    finally:
        stop.set()
        thread.join()
        database.dispose()
