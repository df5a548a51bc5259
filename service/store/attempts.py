"""How often somebody may guess: so many wrong tries within some minutes, of one address and of all.

Kept in the database: several workers count together, and a restart does not forget.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from service.clock import Clock
from service.store.db import Database
from service.store.facts import Facts
from service.store.secrets_hashed import digest

__all__ = ["Attempts"]

Try = tuple[str, datetime]
"""Whose it was (a digest of the address), and when."""


class Attempts:
    """Counts wrong tries; one counts as wrong until it is said to have been right.

    Parameters
    ----------
    key : str
        Name under which they are kept.
    each, of_all : int
        Wrong tries within ``span`` of one address, and of all together.
    clock : Clock
        The machine's real time.
    """

    def __init__(
        self, db: Database, clock: Clock, key: str, each: int, of_all: int, span: timedelta
    ) -> None:
        self._facts, self._clock, self._key = Facts(db), clock, key
        self._each, self._of_all, self._span = each, of_all, span

    def begin(self, address: str) -> timedelta:
        """Note a try; return how long it has to wait: nothing means that it may be made now.

        It is counted before it is made, so that many at once are as slow as one after another.
        """
        now, whose = self._clock.now(), digest(address)
        wait = timedelta()

        def noted(there: dict[str, list[list[str]]] | None) -> dict[str, list[list[str]]]:
            nonlocal wait
            tries = [(one, at) for one, at in _read(there) if now - self._span < at <= now]
            own = [at for one, at in tries if one == whose]
            wait = max(
                self._left(own, self._each, now),
                self._left([at for _, at in tries], self._of_all, now),
            )
            return _written(tries if wait else [*tries, (whose, now)])

        self._facts.update(self._key, noted)
        return wait

    def right(self, address: str) -> None:
        """Take back the newest try of an address: it was no guess."""
        whose = digest(address)

        def forgotten(there: dict[str, list[list[str]]] | None) -> dict[str, list[list[str]]]:
            tries = _read(there)
            newest = max((n for n, (one, _) in enumerate(tries) if one == whose), default=None)
            return _written([each for n, each in enumerate(tries) if n != newest])

        self._facts.update(self._key, forgotten)

    def _left(self, tries: Sequence[datetime], most: int, now: datetime) -> timedelta:
        if len(tries) < most:
            return timedelta()
        return tries[-most] + self._span - now


def _read(there: dict[str, list[list[str]]] | None) -> list[Try]:
    return [(whose, datetime.fromisoformat(at)) for whose, at in (there or {}).get("tries", [])]


def _written(tries: Sequence[Try]) -> dict[str, list[list[str]]]:
    return {"tries": [[whose, at.isoformat()] for whose, at in tries]}
