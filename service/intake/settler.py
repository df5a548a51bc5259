"""After the commit: flags and roll-ups, by a thread of their own, so that no sensor waits for them.

What is left to do is written down with the readings themselves, so a kill between the two costs
nothing: the next start goes on with it.
"""

from __future__ import annotations

import logging
import threading
import time
from collections import OrderedDict
from collections.abc import Callable, Iterable

from service.store.db import Database
from service.store.settling import settle
from service.store.wire import SETTLED, announce

__all__ = ["Settler"]

RETRY_FIRST_S, RETRY_MOST_S = 0.2, 10.0
PATIENCE_S = 1.0
"""How long settling waits for a lull, so that the newest hours are never far behind."""

log = logging.getLogger(__name__)


def _never() -> bool:
    """Settle at once, whatever comes in."""
    return False


class Settler:
    """Settles whatever is marked, at the start and whenever it is woken; shops have their turns.

    Parameters
    ----------
    db_of : callable
        Returns a shop's database, where readings, marks, flags and roll-ups are; None: leave it.
    on_settled : callable
        Told shop and place after each stretch that was settled, from the settling thread.
    busy : callable
        Whether so much comes in that settling should wait for a lull; it never waits for long.
    first : iterable of str
        Shops to begin with.
    """

    def __init__(
        self,
        db_of: Callable[[str], Database | None],
        *,
        on_settled: Callable[[str, str], None],
        busy: Callable[[], bool] = _never,
        first: Iterable[str] = (),
    ) -> None:
        self.problem: str | None = None
        self._db_of, self._on_settled, self._busy = db_of, on_settled, busy
        self._lock = threading.Lock()
        self._waiting: OrderedDict[str, float] = OrderedDict()
        self._latest: dict[str, str] = {}
        self._in_hand: float | None = None
        self._woken = threading.Event()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._keep_up, name="settler", daemon=True)
        for shop in first:
            self.wake(shop)

    @classmethod
    def of_one(
        cls, db: Database, *, on_settled: Callable[[str], None], busy: Callable[[], bool] = _never
    ) -> Settler:
        """Make one for the only shop there is, which begins with what an earlier run has left."""
        return cls(lambda _: db, on_settled=lambda _, at: on_settled(at), busy=busy, first=[""])

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self) -> None:
        """Finish the stretch under way."""
        self._stopping.set()
        self._woken.set()
        if self._thread.is_alive():
            self._thread.join(timeout=15)

    def wake(self, shop: str = "") -> None:
        """Say that something was marked."""
        with self._lock:
            self._waiting.setdefault(shop, time.monotonic())
        self._woken.set()

    @property
    def behind_s(self) -> float:
        """Real seconds for which something has been marked that is not settled yet."""
        with self._lock:
            oldest = min(self._waiting.values(), default=None)
        since = min((at for at in (oldest, self._in_hand) if at is not None), default=None)
        return 0.0 if since is None else time.monotonic() - since

    def _keep_up(self) -> None:
        delay_s = RETRY_FIRST_S
        while not self._stopping.is_set():
            self._woken.wait()
            self._woken.clear()
            while not self._stopping.is_set() and (taken := self._next()) is not None:
                shop, since = taken
                self._wait_for_lull()
                try:
                    more = self._settle(shop)
                except Exception as error:
                    # Readings stay unassessed meanwhile, and nothing rests on those.
                    self.problem = f"{type(error).__name__}: {error}"
                    log.exception("settling failed, next try in %.1f s", delay_s)
                    self._put_back(shop, since)
                    self._stopping.wait(delay_s)
                    delay_s = min(2 * delay_s, RETRY_MOST_S)
                else:
                    self.problem, delay_s = None, RETRY_FIRST_S
                    if more:
                        self._put_back(shop, since)
                self._in_hand = None

    def _next(self) -> tuple[str, float] | None:
        with self._lock:
            if not self._waiting:
                return None
            shop, self._in_hand = self._waiting.popitem(last=False)
            return shop, self._in_hand

    def _put_back(self, shop: str, since: float) -> None:
        with self._lock:
            self._waiting[shop] = min(since, self._waiting.get(shop, since))

    def _settle(self, shop: str) -> bool:
        """Settle one stretch; whether there may be more."""
        db = self._db_of(shop)
        if db is None:
            return False
        with db.write() as session:
            places = settle(session, self._latest.get(shop, ""))
            for place in sorted(places):
                announce(session, SETTLED, place=place)
        for place in sorted(places):
            self._latest[shop] = place
            self._on_settled(shop, place)
        return bool(places)

    def _wait_for_lull(self) -> None:
        until = time.monotonic() + PATIENCE_S
        while self._busy() and time.monotonic() < until and not self._stopping.is_set():
            self._stopping.wait(0.05)
