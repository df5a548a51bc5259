"""The trail of what was asked to be written: who, when, what, and what came of it."""

from __future__ import annotations

from datetime import timedelta

from sqlmodel import col, delete, select

from service.clock import Clock
from service.store.db import Database
from service.store.signin_tables import AuditEntry

__all__ = ["KEPT", "AuditBook"]

KEPT = timedelta(days=400)
"""Older entries go."""

SWEPT_EVERY = 500
"""Entries between two looks for what is too old."""


class AuditBook:
    """Writes the trail and gives it page by page. Nothing on the pages alters it."""

    def __init__(self, db: Database, clock: Clock) -> None:
        self.db, self.clock = db, clock

    def write(
        self, *, who: str, role: str, account_id: int | None, act: str, status: int, address: str
    ) -> None:
        """Add an entry."""
        now = self.clock.now()
        with self.db.write() as session:
            row = AuditEntry(
                at=now,
                who=who[:200],
                role=role[:16],
                account_id=account_id,
                act=act[:240],
                status=status,
                address=address[:64],
            )
            session.add(row)
            session.flush()
            if int(row.id or 0) % SWEPT_EVERY == 0:
                session.exec(delete(AuditEntry).where(col(AuditEntry.at) < now - KEPT))

    def page(
        self, before: int | None = None, limit: int = 50, account_id: int | None = None
    ) -> list[AuditEntry]:
        """Return entries, the newest first; with ``before`` those older than that entry."""
        with self.db.read() as session:
            query = select(AuditEntry).order_by(col(AuditEntry.id).desc()).limit(limit)
            if before is not None:
                query = query.where(col(AuditEntry.id) < before)
            if account_id is not None:
                query = query.where(col(AuditEntry.account_id) == account_id)
            return list(session.exec(query).all())
