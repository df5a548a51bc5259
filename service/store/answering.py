"""Somebody has reacted to notices: what that ends, wherever it was said."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime

from sqlmodel import Session, col, func, or_, select

from service.store.tables import Delivery, Notice

__all__ = ["all_seen", "answer"]


def answer(
    session: Session, notice_ids: Collection[int], now: datetime, *, person_id: int | None = None
) -> None:
    """Mark notices as seen, and end what only asks for a reaction.

    A person who has answered is told no more of them by other channels. What others are told at
    once stays: they want to know, and nobody is lost for another one's tap.
    """
    for notice_id in notice_ids:
        notice = session.get(Notice, notice_id)
        if notice is not None and notice.seen_at is None:
            notice.seen_at = now
            session.add(notice)
    session.flush()
    waiting = session.exec(
        select(Delivery)
        .where(col(Delivery.state) == "waiting")
        .where(or_(col(Delivery.level) > 0, col(Delivery.person_id) == (person_id or 0)))
    ).all()
    for row in waiting:
        if not set(row.notices) & set(notice_ids):
            continue
        own = row.person_id == person_id and set(row.notices) <= set(notice_ids)
        asks = row.level > 0 and all_seen(session, row.notices)
        if own or asks:
            row.state, row.acknowledged_at = "acknowledged", now
            session.add(row)


def all_seen(session: Session, notice_ids: Collection[int]) -> bool:
    """Whether somebody has seen every one of some notices."""
    unseen = session.exec(
        select(func.count())
        .select_from(Notice)
        .where(col(Notice.id).in_(list(notice_ids)), col(Notice.seen_at).is_(None))
    ).one()
    return unseen == 0
