"""Who sends far more than a sensor needs to: told, and never thrown away.

A replay and a node that empties its buffer send much for a while; a sensor that does not stop has
gone mad, or over to somebody else.
"""

from __future__ import annotations

import time
from collections import Counter
from collections.abc import Callable

from service.shop.said import say

__all__ = ["MINUTES", "MOST_A_MINUTE", "Rates"]

MOST_A_MINUTE = 3000
"""Fifty a second; a node sends its backlog with twenty."""

MINUTES = 5
"""So many minutes in a row."""

TOPICS_MOST = 5000
SPAN_S = 60.0


class Rates:
    """Counts messages by topic, minute by minute; ``now`` is a clock that never jumps."""

    def __init__(self, now: Callable[[], float] = time.monotonic) -> None:
        self._now = now
        self._since = now()
        self._counts: Counter[str] = Counter()
        self._in_a_row: dict[str, int] = {}
        self._last: dict[str, int] = {}

    def count(self, topic: str) -> None:
        """Count one message."""
        self._turn()
        if topic in self._counts or len(self._counts) < TOPICS_MOST:
            self._counts[topic] += 1

    def floods(self) -> list[str]:
        """Say which topics have sent too much for minutes."""
        self._turn()
        return [
            say("{topic} sends {count:.0f} messages a minute", topic=topic, count=self._last[topic])
            for topic, minutes in sorted(self._in_a_row.items())
            if minutes >= MINUTES
        ]

    def _turn(self) -> None:
        now = self._now()
        if now < self._since + SPAN_S:
            return
        much = {topic: n for topic, n in self._counts.items() if n > MOST_A_MINUTE}
        if now >= self._since + 2 * SPAN_S:  # a minute without anything lies between
            much = {}
        self._in_a_row = {topic: self._in_a_row.get(topic, 0) + 1 for topic in much}
        self._last = much
        self._counts, self._since = Counter(), now
