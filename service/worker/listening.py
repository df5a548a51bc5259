"""Listening for new sensors, where the page may ask another worker than the one that listens."""

from __future__ import annotations

import base64
import threading
import time
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any

from sensors.proposal import Heard, ListenError, Overheard
from service.clock import Clock, WallClock
from service.intake.listening import Listener
from service.store.facts import Facts

__all__ = ["SharedListener"]

FACT = "listening"
WRITE_EVERY_S = 2.0
FORGOTTEN_AFTER = timedelta(minutes=30)
DEAD_AFTER = timedelta(seconds=15)
"""A round that nobody has written of for so long ended with its worker."""


class SharedListener:
    """A listener whose round every worker can tell of: it writes down what it hears.

    Parameters
    ----------
    listener : Listener
        Who listens, in this worker.
    on_change : callable
        Told when there is something new to show.
    """

    def __init__(
        self,
        listener: Listener,
        facts: Facts,
        on_change: Callable[[], None],
        clock: Clock | None = None,
    ) -> None:
        self._listener, self._facts, self._on_change = listener, facts, on_change
        self._clock = clock or WallClock()
        self._lock = threading.Lock()
        self._written_at = 0.0
        listener.on_change = self._changed

    def start(self, seconds: int, known: Callable[[str], bool]) -> None:
        """Begin; raises ListenError where a round is under way here or in another worker."""
        if self.overheard().state == "listening":
            raise ListenError("seconds: a round of listening is under way")
        self._listener.start(seconds, known)
        self._write()

    def overheard(self) -> Overheard:
        """Say how far the round has come, and what was heard."""
        here = self._listener.overheard()
        if here.state == "listening":
            return here
        kept = self._facts.get(FACT)
        if kept is None:
            return here
        age = self._clock.now() - datetime.fromisoformat(kept["at"])
        if age > FORGOTTEN_AFTER:
            return Overheard()
        told = _read(kept)
        if told.state == "listening" and age > DEAD_AFTER:
            return Overheard("failed", told.wanted_s, problem="the worker that listened has ended")
        return told

    def stop(self) -> None:
        """End the round that is under way here."""
        self._listener.stop()

    def _changed(self) -> None:
        done = self._listener.overheard().state != "listening"
        with self._lock:
            due = done or time.monotonic() > self._written_at + WRITE_EVERY_S
            if due:
                self._written_at = time.monotonic()
        if due:
            self._write()
        self._on_change()

    def _write(self) -> None:
        heard = self._listener.overheard()
        self._facts.put(
            FACT,
            {
                "at": self._clock.now().isoformat(),
                "state": heard.state,
                "wanted_s": heard.wanted_s,
                "left_s": heard.left_s,
                "beyond": heard.beyond,
                "problem": heard.problem,
                "topics": [
                    [
                        one.topic,
                        one.count,
                        [base64.b64encode(sample).decode() for sample in one.samples],
                        one.received_at.isoformat(),
                    ]
                    for one in heard.topics
                ],
            },
        )


def _read(kept: dict[str, Any]) -> Overheard:
    topics = tuple(
        Heard(
            topic,
            count,
            tuple(base64.b64decode(sample) for sample in samples),
            datetime.fromisoformat(at),
        )
        for topic, count, samples, at in kept["topics"]
    )
    return Overheard(
        kept["state"], kept["wanted_s"], kept["left_s"], topics, kept["beyond"], kept["problem"]
    )
