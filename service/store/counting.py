"""Figures of the record for whoever watches the service: how much, how old, can it be written."""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from sqlalchemy import make_url, text
from sqlmodel import col, func, select

from service.store.db import Database
from service.store.facts import Facts
from service.store.tables import Delivery, Unsettled

__all__ = ["Outgoing", "WriteProbe", "database_bytes", "outgoing", "unsettled_hours"]


@dataclass(frozen=True)
class Outgoing:
    """The outbox in figures."""

    by_state: dict[str, int]
    """Deliveries on record by what became of them: waiting, sent, given_up, acknowledged."""
    due: int
    """Those that wait and could go out now."""
    oldest_due_at: datetime | None


def outgoing(db: Database, now: datetime) -> Outgoing:
    """Count the deliveries."""
    with db.read() as session:
        by_state = session.exec(
            select(Delivery.state, func.count()).group_by(col(Delivery.state))
        ).all()
        due, oldest = session.exec(
            select(func.count(), func.min(Delivery.due_at)).where(
                col(Delivery.state) == "waiting", col(Delivery.due_at) <= now
            )
        ).one()
    return Outgoing({state: int(count) for state, count in by_state}, int(due), oldest)


def unsettled_hours(db: Database) -> int:
    """Count the hours of places whose flags and roll-ups are still to be reckoned."""
    with db.read() as session:
        return int(session.exec(select(func.count()).select_from(Unsettled)).one())


def database_bytes(db: Database) -> int:
    """Size of the database, on SQLite with its log."""
    if db.engine.dialect.name == "postgresql":
        with db.read() as session:
            asked = text("SELECT pg_database_size(current_database())")
            return int(session.connection().execute(asked).scalar() or 0)
    path = Path(make_url(db.url).database or "")
    return sum(p.stat().st_size for p in (path, path.with_name(f"{path.name}-wal")) if p.exists())


class WriteProbe:
    """Writes a little, now and then, to see whether the database takes it.

    ``every_s`` real seconds at least lie between two tries, however often it is asked.
    """

    KEY = "written"

    def __init__(self, db: Database, every_s: float = 30.0) -> None:
        self._facts, self._every_s = Facts(db), every_s
        self._lock = threading.Lock()
        self._tried: float | None = None
        self._problem: str | None = None

    def problem(self, now: datetime) -> str | None:
        """Say why nothing can be written; None: it can."""
        with self._lock:
            if self._tried is None or time.monotonic() - self._tried >= self._every_s:
                try:
                    self._facts.put(self.KEY, {"at": now.isoformat()})
                except Exception as error:  # noqa: BLE001 -- whatever it is, it is the answer
                    self._problem = f"{type(error).__name__}: {getattr(error, 'orig', error)}"
                else:
                    self._problem = None
                self._tried = time.monotonic()
            return self._problem
