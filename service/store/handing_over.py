"""A channel that fails hands over to the person's other ones."""

from __future__ import annotations

from datetime import datetime

from sqlmodel import Session

from service.shop.telling import PATIENCE, Step, other_ways
from service.store.delivering import TEST, new_delivery, rows_of
from service.store.people_book import channels_of, hearer_of
from service.store.tables import Delivery, Person

__all__ = ["give_up", "stand_in"]


def give_up(session: Session, row: Delivery, error: str, now: datetime) -> None:
    """Give a delivery up for good; the person's other channels take its place."""
    row.last_error, row.claimed_at = error[:500], None
    session.add(row)
    if row.state == "waiting":
        row.state = "given_up"
        stand_in(session, row, now)


def stand_in(session: Session, row: Delivery, now: datetime) -> bool:
    """Let the person's other channels tell what this one cannot; return whether any can."""
    person = session.get_one(Person, row.person_id)
    if row.kind == TEST or person.retired_at is not None:
        return False
    own = [
        other
        for other in rows_of(session, [row.group_key])
        if other.person_id == row.person_id and other.id != row.id
    ]
    if any(other.level <= row.level and _tells(other) for other in own):
        return False
    following = [other for other in own if other.state == "waiting" and other.level > row.level]
    for other in following:
        other.level, other.due_at = row.level, min(other.due_at, now)
        session.add(other)
    hearer = hearer_of(person, channels_of(session, row.person_id))
    used = [row.channel_id, *(other.channel_id for other in own)]
    fresh = [] if following else other_ways(hearer, row.kind, used)
    for channel_id in fresh:
        step = Step(row.level, row.person_id, channel_id)
        made = new_delivery(row.group_key, step, row.kind, row.notices, now, now)
        made.urgent = row.urgent
        session.add(made)
    return bool(following or fresh)


def _tells(other: Delivery) -> bool:
    """Whether another channel tells it already, or may still: not one that fails as well."""
    fails = other.state == "given_up" or (other.state == "waiting" and other.tries >= PATIENCE)
    return not fails
