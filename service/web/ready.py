"""After a reading: first reckon what pages will ask for, then tell the open ones that it changed.

Whoever opens a page then finds the film followed and the clocks run for the newest air. A page that
asks in between reckons for itself, or waits for what is under way, and is answered the same.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable

__all__ = ["REST", "Ready"]

REST = 4.0
"""After a look as many times as much time as it took of the processor nothing is reckoned ahead: a
slow machine that hears many sensors must not do it all day."""

log = logging.getLogger(__name__)


class Ready:
    """Looks ahead in a thread of its own, whenever something was settled.

    Parameters
    ----------
    look : callable
        Reckons what pages will ask for; whatever it keeps, it keeps for itself.
    tell : callable
        Told each place once its answers are ready, or at once while nothing is looked at.
    begun : callable
        Called after the first look.
    """

    def __init__(
        self,
        look: Callable[[], object],
        tell: Callable[[str], object],
        begun: Callable[[], object] = lambda: None,
    ) -> None:
        self._look, self._tell, self._begun = look, tell, begun
        self._lock = threading.Lock()
        self._places: list[str] = []
        self._woken = threading.Event()
        self._stopping = False
        self._thread = threading.Thread(target=self._run, name="ready", daemon=True)

    def start(self) -> None:
        """Begin with a look, so that the first visitor need not wait either."""
        self._thread.start()

    def stop(self) -> None:
        """Finish the look under way."""
        self._stopping = True
        self._woken.set()
        if self._thread.is_alive():
            self._thread.join(timeout=15)

    def changed(self, place: str = "") -> None:
        """Say that the air of a place, or something else that pages show, is another now."""
        with self._lock:
            if place and place not in self._places:
                self._places.append(place)
        self._woken.set()

    def _run(self) -> None:
        self._try(self._look)
        self._try(self._begun)
        rests_until, due = 0.0, False
        while True:
            rest = max(0.0, rests_until - time.monotonic())
            due |= self._woken.wait(rest if due else None)
            if self._stopping:
                return
            self._woken.clear()
            with self._lock:
                places, self._places = self._places, []
            if due and time.monotonic() >= rests_until:
                begun, due = time.thread_time(), False
                self._try(self._look)
                rests_until = time.monotonic() + REST * (time.thread_time() - begun)
            for place in places:
                self._tell(place)

    def _try(self, what: Callable[[], object]) -> None:
        try:
            what()
        except Exception:
            # Nothing rests on it: whoever asks for the page is told what is wrong, if it still is.
            log.exception("looking ahead failed")
