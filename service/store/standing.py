"""Which of several workers this one is, and for what it leads: locks that end with its connection.

A worker's number tells the broker which session is its own, so no two may have the same. Of each
slice of the shops one worker leads: it alone does what has to be done once. Both are advisory locks
of PostgreSQL, held by one connection: whoever is killed has let go of them when the server notices,
which is at once where the process died, and after TCP's keep-alive where its machine did.

Two that lead for a moment, because one has not noticed yet that its connection is gone, do no harm:
whatever is done once is made sure of by the database itself. They only do some work twice.
"""

from __future__ import annotations

import logging
import os
from collections.abc import Callable
from typing import Any
from zlib import crc32

from service.store.wire import KEEPALIVE, plain_address

__all__ = ["Alone", "Standing", "slice_of"]

NUMBERS, SLICES = 0x42_6E_75_6D, 0x42_6C_65_64
"""Classes of the two kinds of locks."""

SERVER_KEEPALIVE = {
    "tcp_keepalives_idle": 5,
    "tcp_keepalives_interval": 2,
    "tcp_keepalives_count": 3,
    "tcp_user_timeout": 11_000,
}
"""The same for the server, which otherwise keeps the locks of a machine that is gone for hours."""

MOST_WORKERS = 64
LISTED = "SELECT objid FROM pg_locks WHERE locktype = 'advisory' AND granted AND objsubid = 2"
HERE = "AND database = (SELECT oid FROM pg_database WHERE datname = current_database())"
NAMED = "boothglass worker {}"
"""How ``pg_stat_activity`` shows the connection of a process, by its id."""

log = logging.getLogger(__name__)


def slice_of(shop: str, slices: int) -> int:
    """Return the slice that a shop belongs to, the same in every worker."""
    return crc32(shop.encode()) % slices


class Standing:
    """Takes and keeps the locks; :meth:`step` is called again and again by one thread.

    Parameters
    ----------
    url : str
        The PostgreSQL database that the workers share.
    slices : int
        Parts that the shops are cut into, so that several workers share in leading.
    letting_go : callable
        Called with a slice before it is handed over to another worker.
    """

    def __init__(
        self, url: str, slices: int = 1, letting_go: Callable[[int], None] = lambda _slice: None
    ) -> None:
        self.slices, self._letting_go = slices, letting_go
        self.number: int | None = None
        """From 1 on; None: none is held now."""
        self.problem: str | None = "not connected yet"
        self._led: frozenset[int] = frozenset()
        self._adopted: frozenset[int] = frozenset()
        self._last_number: int | None = None
        self._address = plain_address(url)
        self._connection: Any = None

    @property
    def led(self) -> frozenset[int]:
        """Slices that this worker leads for."""
        return self._led

    def leads(self, shop: str) -> bool:
        """Whether this worker leads for a shop."""
        return slice_of(shop, self.slices) in self._led

    def step(self) -> None:
        """Look after number and slices. Never raises."""
        try:
            self._step()
            self.problem = None
        except Exception as error:  # noqa: BLE001 -- kept as a problem, and tried again
            if self.problem is None:
                log.warning("the standing among workers is lost: %s", error)
            self.problem = f"{type(error).__name__}: {error}"
            self._forget()

    def close(self) -> None:
        """Let go of everything."""
        self._forget()

    def alive(self) -> set[int]:
        """Return the numbers that are taken, by this worker or another; all of them, if unknown."""
        try:
            return self._held(NUMBERS)
        except Exception:  # noqa: BLE001 -- the next step tells
            return set(range(1, MOST_WORKERS + 1))

    # -- sessions of workers that are gone ---------------------------------------------------

    def adopt(self, number: int) -> bool:
        """Take the number of a worker that is gone, besides one's own, while nobody has it."""
        if self._connection is None or not self._try(NUMBERS, number):
            return False
        self._adopted |= {number}
        return True

    def release(self, number: int) -> None:
        """Let go of a number that was adopted."""
        if number in self._adopted and self._connection is not None:
            self._connection.execute("SELECT pg_advisory_unlock(%s, %s)", (NUMBERS, number))
        self._adopted -= {number}

    def has(self, number: int) -> bool:
        """Whether the number of a worker that is gone is held."""
        return number in self._adopted

    # -- inside ----------------------------------------------------------------------------

    def _step(self) -> None:
        import psycopg

        if self._connection is None:
            self._connection = psycopg.connect(
                self._address,
                autocommit=True,
                application_name=NAMED.format(os.getpid()),
                **KEEPALIVE,
            )
            for name, value in SERVER_KEEPALIVE.items():
                self._connection.execute(f"SET {name} = {value}")
        if self.number is None:
            self.number = self._take_number()
            self._last_number = self.number
        workers = max(1, len(self._held(NUMBERS) - self._adopted))
        fair = -(-self.slices // workers)
        for surplus in sorted(self._led)[fair:]:
            self._led -= {surplus}
            self._letting_go(surplus)
            self._connection.execute("SELECT pg_advisory_unlock(%s, %s)", (SLICES, surplus))
        free = set(range(self.slices)) - self._held(SLICES)
        for one in sorted(free)[: max(0, fair - len(self._led))]:
            if self._try(SLICES, one):
                self._led |= {one}

    def _take_number(self) -> int:
        former = self._last_number or 1
        for number in sorted(range(1, MOST_WORKERS + 1), key=lambda one: one != former):
            if self._try(NUMBERS, number):
                return number
        raise RuntimeError(f"{MOST_WORKERS} workers run already")

    def _held(self, kind: int) -> set[int]:
        rows = self._connection.execute(f"{LISTED} AND classid = %s {HERE}", (kind,)).fetchall()
        return {int(row[0]) for row in rows}

    def _try(self, kind: int, which: int) -> bool:
        asked = self._connection.execute("SELECT pg_try_advisory_lock(%s, %s)", (kind, which))
        return bool(asked.fetchone()[0])

    def _forget(self) -> None:
        connection, self._connection = self._connection, None
        self.number, self._led, self._adopted = None, frozenset(), frozenset()
        if connection is not None:
            try:
                connection.close()
            except Exception:  # noqa: BLE001 -- it is gone already
                log.debug("a lost connection could not be closed")


class Alone:
    """The standing of the only worker there is."""

    slices = 1
    problem: str | None = None
    number: int | None = None
    led: frozenset[int] = frozenset()

    def leads(self, shop: str) -> bool:  # noqa: ARG002 -- for all of them
        """Whether it leads for a shop."""
        return bool(self.led)

    def step(self) -> None:
        """Begin to lead."""
        self.number, self.led = 1, frozenset({0})

    def alive(self) -> set[int]:
        """Return its number."""
        return {1}

    def adopt(self, number: int) -> bool:  # noqa: ARG002 -- nobody else can
        """Take what a worker that is gone has left."""
        return True

    def has(self, number: int) -> bool:  # noqa: ARG002 -- whatever it was
        """Whether it was taken."""
        return True

    def release(self, number: int) -> None:
        """Let go of it."""

    def close(self) -> None:
        """End."""
        self.led = frozenset()
