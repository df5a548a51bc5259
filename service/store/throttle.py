"""Attempts that failed, and how long the next one has to wait.

The wait grows with each failure of one name from one address, so that guessing gets nowhere, while
the same person at another device is not held up. It never exceeds :data:`LONGEST_WAIT`, and
passkeys and the command on the machine do not wait at all: nobody is locked out for good.
"""

from __future__ import annotations

from datetime import timedelta

from sqlmodel import col, delete

from service.clock import Clock
from service.store.db import Database
from service.store.secrets_hashed import digest
from service.store.signin_tables import SignInFailure

__all__ = ["FREE", "LONGEST_WAIT", "Throttle", "wait_after"]

FREE = 3
"""So many slips are nobody's fault."""

LONGEST_WAIT = timedelta(minutes=15)

FORGOTTEN = timedelta(days=1)
"""Quiet for so long, and it counts from the start."""

EVERY_NAME = ""
ADDRESS_FREE = 20
"""Failures of one address over all names before it has to wait as a whole."""


def wait_after(failures: int, free: int = FREE) -> timedelta:
    """Return the wait after so many failures: none, then 2, 4, 8 ... s up to the longest."""
    if failures < free:
        return timedelta()
    return min(timedelta(seconds=2.0 ** min(failures - free + 1, 20)), LONGEST_WAIT)


class Throttle:
    """Counts failures; an attempt counts as failed until it is said to have succeeded."""

    def __init__(self, db: Database, clock: Clock) -> None:
        self.db, self.clock = db, clock

    def begin(self, name: str, address: str) -> timedelta:
        """Note an attempt; return how long it has to wait: nothing means it may be made now.

        It is counted before it is made, so that many at once are as slow as one after another.
        """
        now = self.clock.now()
        with self.db.write() as session:
            session.exec(delete(SignInFailure).where(col(SignInFailure.last_at) < now - FORGOTTEN))
            rows = []
            for key, free in self._keys(name, address):
                row = session.get(SignInFailure, key)
                if row is not None and row.wait_until > now:
                    return row.wait_until - now
                rows.append((row or SignInFailure(key=key, last_at=now, wait_until=now), free))
            for row, free in rows:
                row.count += 1
                row.last_at = now
                row.wait_until = now + wait_after(row.count, free)
                session.add(row)
        return timedelta()

    def succeeded(self, name: str, address: str) -> None:
        """Forget the failures of a name from an address, and one of the address's own count."""
        (own, _), (whole, free) = self._keys(name, address)
        with self.db.write() as session:
            if (row := session.get(SignInFailure, own)) is not None:
                session.delete(row)
            if (row := session.get(SignInFailure, whole)) is not None:
                row.count = max(0, row.count - 1)
                row.wait_until = row.last_at + wait_after(row.count, free)
                session.add(row)

    @staticmethod
    def _keys(name: str, address: str) -> tuple[tuple[str, int], tuple[str, int]]:
        plain = " ".join(name.split()).casefold()
        return (
            (digest(f"{plain}\n{address}"), FREE),
            (digest(f"{EVERY_NAME}\n{address}"), ADDRESS_FREE),
        )
