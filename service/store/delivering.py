"""Deliveries as rows: made of what is planned, joined by what comes later."""

from __future__ import annotations

import secrets
from collections.abc import Collection, Iterable
from datetime import datetime

from sqlmodel import Session, col, select

from service.shop.telling import Group, Planned, Step
from service.store.tables import Delivery, Notice

__all__ = ["TEST", "new_delivery", "rows_of", "untold", "untouched", "write_planned"]

TEST = "test"
"""Kind of a delivery that somebody sends to try a channel."""


def new_delivery(
    group_key: str,
    step: Step,
    kind: str,
    notices: Iterable[int],
    due_at: datetime,
    now: datetime,
) -> Delivery:
    """Return a delivery that waits, with a key that names group, person and channel."""
    return Delivery(
        key=f"{group_key}-to{step.person_id}-c{step.channel_id}",
        group_key=group_key,
        notices=list(notices),
        kind=kind,
        person_id=step.person_id,
        channel_id=step.channel_id,
        level=step.level,
        due_at=due_at,
        state="waiting",
        made_at=now,
        ack_token=secrets.token_urlsafe(16),
    )


def write_planned(session: Session, item: Planned, now: datetime) -> None:
    """Add the deliveries of a new group, or notices to those of one that waits."""
    if not item.dues:
        for row in rows_of(session, [item.group.key]):
            row.notices = [*row.notices, *item.joined]
            session.add(row)
    for step, due_at in item.dues.items():
        made = new_delivery(item.group.key, step, item.group.kind, item.joined, due_at, now)
        made.urgent = item.urgent
        session.add(made)


def untold(session: Session, limit: int) -> list[Notice]:
    """Return notices of which no deliveries were written yet, the oldest first."""
    return list(
        session.exec(
            select(Notice)
            .where(col(Notice.told_at).is_(None))
            .order_by(col(Notice.id))
            .limit(limit)
        ).all()
    )


def untouched(session: Session) -> list[Group]:
    """Return the groups of which nothing has gone out, nor been tried."""
    keys = session.exec(
        select(Delivery.group_key)
        .where(col(Delivery.state) == "waiting", col(Delivery.tries) == 0)
        .where(col(Delivery.kind) != TEST)
        .distinct()
    ).all()
    rows: dict[str, list[Delivery]] = {}
    for row in rows_of(session, keys):
        rows.setdefault(row.group_key, []).append(row)
    return [
        Group(
            key,
            group[0].kind,
            min(group, key=lambda row: row.level).person_id,
            frozenset(Step(r.level, r.person_id, r.channel_id) for r in group),
            tuple(group[0].notices),
        )
        for key, group in rows.items()
        if all(row.state == "waiting" and row.tries == 0 for row in group)
    ]


def rows_of(session: Session, group_keys: Collection[str]) -> list[Delivery]:
    """Return all deliveries of some groups."""
    return list(
        session.exec(
            select(Delivery)
            .where(col(Delivery.group_key).in_(list(group_keys)))
            .order_by(col(Delivery.id))
        ).all()
    )
