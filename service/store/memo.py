"""What was read once is not read again until somebody has written.

SQLite tells a connection whether any other one, of this process or another, has committed since it
last looked (``PRAGMA data_version``). What was read under one version holds for as long as the
version does, so nothing has to know what it depends on. Elsewhere nothing is kept.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from dataclasses import dataclass
from typing import Any, TypeVar, cast

from sqlalchemy import Connection, Engine
from sqlmodel import Session

__all__ = ["LOOK", "PAST", "Memo", "PastKept", "kept", "past_of"]

T = TypeVar("T")

LOOK, PAST = "boothglass_look", "boothglass_past"
"""Where a session that only reads carries them."""

MOST = 512
MOST_PAST = 48


class Memo:
    """Values by key for one version of the database."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._lock = threading.Lock()
        self._connection: Connection | None = None
        self._version: int | None = None
        self._values: dict[Hashable, Any] = {}

    def look(self) -> Look:
        """Begin to look at the database as it is from now on; ask before the first read."""
        with self._lock:
            return Look(self, self._now())

    def get(self, version: int, key: Hashable, make: Callable[[], T]) -> T:
        """Return what was made under a version of the database; make it where nothing was."""
        with self._lock:
            if version == self._version and key in self._values:
                return cast("T", self._values[key])
        made = make()
        with self._lock:
            # What was read lies between the two looks: where nothing was written in between, it
            # belongs to this version; else it is told and not kept.
            if self._now() == version:
                if version != self._version or len(self._values) >= MOST:
                    self._version, self._values = version, {}
                self._values[key] = made
        return made

    def _now(self) -> int | None:
        """Tell the version; on a connection that never writes, as its own writes do not count."""
        if self._engine.dialect.name != "sqlite":
            return None
        if self._connection is None:
            made = self._engine.connect()
            self._connection = made.execution_options(isolation_level="AUTOCOMMIT")
        driver = self._connection.connection.driver_connection
        return None if driver is None else int(driver.execute("PRAGMA data_version").fetchone()[0])

    def close(self) -> None:
        """Let the connection go."""
        with self._lock:
            if self._connection is not None:
                self._connection.close()
            self._connection, self._version, self._values = None, None, {}


@dataclass(frozen=True)
class Look:
    """One session's look: the version before its first read; None where none can be told."""

    memo: Memo
    version: int | None

    def get(self, key: Hashable, make: Callable[[], T]) -> T:
        """Return what is kept for this version, or make it."""
        return make() if self.version is None else self.memo.get(self.version, key, make)


class PastKept:
    """Values that outlive versions, each with a mark that tells whether it still holds."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._values: OrderedDict[Hashable, tuple[Any, Any]] = OrderedDict()

    def get(self, key: Hashable, mark: Any, make: Callable[[], T]) -> T:
        """Return what was made under this mark; make it where it was another."""
        with self._lock:
            found = self._values.get(key)
        if found is not None and found[0] == mark:
            return cast("T", found[1])
        made = make()
        with self._lock:
            self._values[key] = mark, made
            self._values.move_to_end(key)
            while len(self._values) > MOST_PAST:
                self._values.popitem(last=False)
        return made


def kept(session: Session, key: Hashable, make: Callable[[], T]) -> T:
    """Return what a session that only reads would find, read at most once a version.

    A session that writes reads for itself: it sees what it has written.
    """
    look = session.info.get(LOOK)
    return make() if look is None else cast("Look", look).get(key, make)


def past_of(session: Session) -> PastKept | None:
    """What a session that only reads may keep over versions; None: nothing."""
    return cast("PastKept | None", session.info.get(PAST))
