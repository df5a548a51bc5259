"""Payloads that could not be used: kept with the reason, and bounded."""

from __future__ import annotations

from sqlalchemy import delete
from sqlmodel import Session, col, func, select

from service.store.tables import Reject

__all__ = ["KEPT_BYTES", "KEPT_ROWS", "count", "keep", "recent"]

KEPT_BYTES = 4096
"""How much of a payload is kept; its full size is noted."""

KEPT_ROWS = 10_000
"""How many are kept, so that a broken sensor cannot fill the disk; the oldest go first."""


def keep(session: Session, reject: Reject) -> None:
    """Keep one payload with its reason, and drop what is beyond the bound."""
    reject.payload = reject.payload[:KEPT_BYTES]
    reject.topic = _text(reject.topic, 512)
    reject.field = _text(reject.field, 64)
    reject.reason = _text(reject.reason, 500)
    session.add(reject)
    session.flush()
    if reject.id is not None and reject.id > KEPT_ROWS:
        session.connection().execute(delete(Reject).where(col(Reject.id) <= reject.id - KEPT_ROWS))


def recent(session: Session, limit: int = 50) -> list[Reject]:
    """Newest first."""
    return list(session.exec(select(Reject).order_by(col(Reject.id).desc()).limit(limit)).all())


def count(session: Session) -> int:
    """How many are kept."""
    return int(session.exec(select(func.count()).select_from(Reject)).one())


def _text(text: str, longest: int) -> str:
    """Return text that any database takes: no lone surrogates, no NUL, not too long."""
    plain = text.encode("utf-8", "backslashreplace").decode("utf-8").replace("\0", "\\0")
    return plain[:longest]
