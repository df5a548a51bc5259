"""After the commit: flags and roll-ups, by a thread of their own, so that no sensor waits for them.

What is left to do is written down with the readings themselves, so a kill between the two costs
nothing: the next start goes on with it.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable

from service.store.db import Database
from service.store.settling import settle

__all__ = ["Settler"]

RETRY_FIRST_S, RETRY_MOST_S = 0.2, 10.0
PATIENCE_S = 1.0
"""How long settling waits for a lull, so that the newest hours are never far behind."""

log = logging.getLogger(__name__)


def _never() -> bool:
    """Settle at once, whatever comes in."""
    return False


class Settler:
    """Settles whatever is marked, at the start and whenever it is woken.

    Parameters
    ----------
    db : Database
        Where readings, marks, flags and roll-ups are.
    on_settled : callable
        Told the place after each stretch that was settled, from the settling thread.
    busy : callable
        Whether so much comes in that settling should wait for a lull; it never waits for long.
    """

    def __init__(
        self, db: Database, *, on_settled: Callable[[str], None], busy: Callable[[], bool] = _never
    ) -> None:
        self.problem: str | None = None
        self._db, self._on_settled, self._busy = db, on_settled, busy
        self._latest = ""
        self._behind_since: float | None = None
        self._woken = threading.Event()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._keep_up, name="settler", daemon=True)

    def start(self) -> None:
        """Begin with what an earlier run has left."""
        self._woken.set()
        self._thread.start()

    def stop(self) -> None:
        """Finish the stretch under way."""
        self._stopping.set()
        self._woken.set()
        if self._thread.is_alive():
            self._thread.join(timeout=15)

    def wake(self) -> None:
        """Say that something was marked."""
        if self._behind_since is None:
            self._behind_since = time.monotonic()
        self._woken.set()

    @property
    def behind_s(self) -> float:
        """Real seconds for which something has been marked that is not settled yet."""
        since = self._behind_since
        return 0.0 if since is None else time.monotonic() - since

    def _keep_up(self) -> None:
        delay_s = RETRY_FIRST_S
        while not self._stopping.is_set():
            self._woken.wait()
            self._woken.clear()
            began = time.monotonic()
            try:
                self._settle_everything()
            except Exception as error:
                # Readings stay unassessed meanwhile, and nothing rests on those.
                self.problem = f"{type(error).__name__}: {error}"
                log.exception("settling failed, next try in %.1f s", delay_s)
                self._stopping.wait(delay_s)
                delay_s = min(2 * delay_s, RETRY_MOST_S)
                self._woken.set()
            else:
                self.problem, delay_s = None, RETRY_FIRST_S
                # What was marked meanwhile has waited since then at most.
                self._behind_since = began if self._woken.is_set() else None

    def _settle_everything(self) -> None:
        while not self._stopping.is_set():
            self._wait_for_lull()
            with self._db.write() as session:
                places = settle(session, self._latest)
            if not places:
                return
            for place in sorted(places):
                self._latest = place
                self._on_settled(place)

    def _wait_for_lull(self) -> None:
        until = time.monotonic() + PATIENCE_S
        while self._busy() and time.monotonic() < until and not self._stopping.is_set():
            self._stopping.wait(0.05)
