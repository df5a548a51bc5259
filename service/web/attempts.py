"""How often somebody may guess: so many wrong tries within some minutes, of one address and of all.

In memory: a restart forgets, which gives a guesser nothing to speak of.
"""

from __future__ import annotations

import threading
import time
from collections import OrderedDict, deque
from collections.abc import Callable

__all__ = ["Attempts"]

ADDRESSES_MOST = 1000


class Attempts:
    """Counts wrong tries.

    Parameters
    ----------
    each, of_all : int
        Wrong tries within ``span_s`` of one address, and of all together.
    now : callable
        Seconds of a clock that never jumps.
    """

    def __init__(
        self,
        each: int,
        of_all: int,
        span_s: float,
        now: Callable[[], float] = time.monotonic,
    ) -> None:
        self._each, self._of_all, self._span_s, self._now = each, of_all, span_s, now
        self._lock = threading.Lock()
        self._all: deque[float] = deque()
        self._by: OrderedDict[str, deque[float]] = OrderedDict()

    def wait_s(self, address: str) -> float:
        """Seconds until this address may try again; 0 where it may now."""
        with self._lock:
            return max(
                self._left(self._by.get(address, deque()), self._each),
                self._left(self._all, self._of_all),
            )

    def wrong(self, address: str) -> None:
        """Count a wrong try."""
        with self._lock:
            tries = self._by.setdefault(address, deque())
            self._by.move_to_end(address)
            while len(self._by) > ADDRESSES_MOST:
                self._by.popitem(last=False)
            for one in (tries, self._all):
                one.append(self._now())
                while one and one[0] <= self._now() - self._span_s:
                    one.popleft()

    def _left(self, tries: deque[float], most: int) -> float:
        if len(tries) < most:
            return 0.0
        return max(0.0, tries[-most] + self._span_s - self._now())
