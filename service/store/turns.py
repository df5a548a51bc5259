"""Writers of one process take turns, first come, first served."""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Iterator
from contextlib import contextmanager

__all__ = ["Turns"]


class Turns:
    """A queue before SQLite's own lock, which whoever happens to look at the right moment gets.

    It is a courtesy and no lock: who has waited for ``longest_s`` goes on all the same, and is told
    by the database whether it may.
    """

    def __init__(self, longest_s: float) -> None:
        self._longest_s = longest_s
        self._lock = threading.Lock()
        self._queue: deque[threading.Event] = deque()

    @contextmanager
    def turn(self) -> Iterator[None]:
        """Wait for the turn, and hand it on at the end."""
        mine = threading.Event()
        try:
            with self._lock:
                self._queue.append(mine)
                self._queue[0].set()
            mine.wait(self._longest_s)
            yield
        finally:
            with self._lock:
                self._queue.remove(mine)
                if self._queue:
                    self._queue[0].set()
