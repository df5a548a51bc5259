"""Verdicts whose coat's clock is to be reckoned anew, because something behind it has changed.

Marked twice is marked once, and marked for nothing does no harm: the clock comes out as it was.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import timedelta

from sqlmodel import Session, col, select

from service.store.facts import put_in, value_in
from service.store.marks import HOUR_MS
from service.store.tables import Coat, Verdict
from service.store.types import from_millis

__all__ = ["REACH", "clear", "due", "mark_hours", "mark_piece", "touching"]

KEY = "verdicts_due"

REACH = timedelta(days=7, hours=2)
"""More than air from before a coat matters to its clock: coats under it may be soft for a week."""


def mark_hours(session: Session, hours: Iterable[int]) -> None:
    """Mark verdicts that rest on any of these hours (starts in ms), of whatever place."""
    _mark(session, touching(session, hours))


def mark_piece(session: Session, instrument_id: int) -> None:
    """Mark the verdicts on an instrument whose coats or hangings have changed."""
    ids = session.exec(
        select(Verdict.id)
        .join(Coat, col(Coat.id) == col(Verdict.coat_id))
        .where(col(Coat.instrument_id) == instrument_id, col(Verdict.undone_at).is_(None))
    )
    _mark(session, {int(i) for i in ids if i is not None})


def touching(session: Session, hours: Iterable[int]) -> set[int]:
    """Return the standing verdicts whose coats dried in any of these hours (starts in ms)."""
    known = sorted(set(hours))
    if not known:
        return set()
    begun, ended = from_millis(known[0]), from_millis(known[-1] + HOUR_MS)
    rows = session.exec(
        select(Verdict.id)
        .join(Coat, col(Coat.id) == col(Verdict.coat_id))
        .where(col(Verdict.at) >= begun, col(Coat.at) <= ended + REACH)
        .where(col(Verdict.undone_at).is_(None))
    )
    return {int(i) for i in rows if i is not None}


def due(session: Session) -> list[int]:
    """Return what is marked, in order."""
    kept = value_in(session, KEY)
    return [] if kept is None else [int(i) for i in kept["ids"]]


def clear(session: Session, ids: Iterable[int]) -> None:
    """Take marks away."""
    _keep(session, set(due(session)) - set(ids))


def _mark(session: Session, ids: set[int]) -> None:
    marked = set(due(session))
    if not ids <= marked:
        _keep(session, marked | ids)


def _keep(session: Session, ids: set[int]) -> None:
    put_in(session, KEY, {"ids": sorted(ids)})
    session.flush()
