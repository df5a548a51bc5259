"""Between the connection and the committer: messages come one by one, and leave in batches."""

from __future__ import annotations

import threading
import time
from collections import deque

from service.intake.arrivals import Arrival

__all__ = ["Waiting"]


class Waiting:
    """Messages not yet taken, for one thread that puts and one that takes.

    Neither wakes the other for each message: the taker looks again after a lull, so that a flood
    costs no changes between threads.

    Parameters
    ----------
    most : int
        How many may wait.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._arrivals: deque[Arrival] = deque()
        self._came, self._room = threading.Event(), threading.Event()

    def __len__(self) -> int:
        """How many wait."""
        return len(self._arrivals)

    def put(self, arrival: Arrival, wait_s: float) -> bool:
        """Add a message; False where there is no room within ``wait_s``."""
        if len(self._arrivals) >= self._most:
            self._room.clear()
            if len(self._arrivals) >= self._most and not self._room.wait(wait_s):
                return False
        self._arrivals.append(arrival)
        if not self._came.is_set():
            self._came.set()
        return True

    def take(self, most: int, *, idle_s: float, lull_s: float, longest_s: float) -> list[Arrival]:
        """Take a batch of at most ``most`` messages; none where none came within ``idle_s``.

        It is closed when nothing more has come for ``lull_s``, or after ``longest_s``.
        """
        if not self._arrivals:
            self._came.clear()
            if not self._arrivals and not self._came.wait(idle_s):
                return []
        until, there = time.monotonic() + longest_s, len(self._arrivals)
        while there < most and time.monotonic() < until:
            time.sleep(lull_s)
            before, there = there, len(self._arrivals)
            if there == before:
                break
        batch = [self._arrivals.popleft() for _ in range(min(there, most))]
        self._room.set()
        return batch
