"""The outbox: what is to be told becomes deliveries, and each is sent, held, given up or answered.

Once: notices and the deliveries made of them are marked in one transaction. A delivery is claimed
before it is sent and marked after, so a crash between the two sends it again *under the same id*;
whoever receives it can tell by that id. More than that nobody can promise who talks to another
machine.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta, tzinfo
from typing import Any

from sqlmodel import Session, col, or_, select

from service.clock import Clock
from service.shop.said import say
from service.shop.telling import PATIENCE, Step, Told, backoff, plan, too_late
from service.store.answering import all_seen, answer
from service.store.db import Database
from service.store.delivering import TEST, new_delivery, rows_of, untold, untouched, write_planned
from service.store.errors import NotFound
from service.store.handing_over import give_up, stand_in
from service.store.people_book import hearer_of, hearers
from service.store.tables import Channel, Delivery, Notice, Person

__all__ = ["TEST", "Claimed", "Outbox"]

LEASE = timedelta(minutes=2)
"""A claim older than this belongs to a sender that has died; longer than any sending takes."""

LONGEST_ASKED = timedelta(hours=6)
"""Whoever asks to be left alone for longer is tried again after this (assumed)."""

AT_ONCE = 500
"""Notices that are told in one transaction."""


@dataclass(frozen=True)
class Claimed:
    """A delivery that is in hand: everything that sending it needs."""

    id: int
    kind: str
    urgent: bool
    channel_id: int
    channel_kind: str
    config: dict[str, Any]
    prefs: dict[str, Any]
    """Of the person it goes to."""
    notices: tuple[Notice, ...]
    ack_token: str
    no_answer_from: str | None
    """Who was told first and has not reacted, where that is somebody else."""


class Outbox:
    """Keeps deliveries; asks nobody and sends nothing itself.

    Parameters
    ----------
    zone : callable
        Returns the zone of the shop, by whose clock hours are quiet.
    """

    def __init__(self, db: Database, clock: Clock, zone: Callable[[], tzinfo]) -> None:
        self.db, self.clock, self.zone = db, clock, zone

    # -- notices become deliveries ---------------------------------------------------------

    def tell(self) -> int:
        """Write the deliveries of all notices that have none yet; return of how many."""
        with self.db.read() as session:
            if not untold(session, 1):
                return 0
        with self.db.write() as session:
            now = self.clock.now()
            notices = untold(session, AT_ONCE)
            planned = plan(
                [Told(int(n.id or 0), n.kind) for n in notices],
                hearers(session),
                untouched(session),
                now,
                self.zone(),
            )
            for item in planned:
                write_planned(session, item, now)
            for notice in notices:
                notice.told_at = now
                session.add(notice)
            return len(notices)

    # -- deliveries are sent ---------------------------------------------------------------

    def claim(self, without: Collection[int] = ()) -> Claimed | None:
        """Take the most pressing delivery that is due in hand, leaving channels ``without`` out.

        What must not be sent any more, or not now, is marked so on the way.
        """
        now = self.clock.now()
        stale = now - LEASE * self.clock.rate
        due = (
            select(Delivery)
            .where(col(Delivery.state) == "waiting", col(Delivery.due_at) <= now)
            .where(or_(col(Delivery.claimed_at).is_(None), col(Delivery.claimed_at) < stale))
            .where(col(Delivery.channel_id).not_in(list(without)))
            .order_by(col(Delivery.urgent).desc(), col(Delivery.due_at), col(Delivery.id))
            .limit(1)
        )
        with self.db.read() as session:
            if session.exec(due).first() is None:
                return None
        with self.db.write() as session:
            # SQLite's write lock keeps other senders out; a server needs to be asked to.
            locked = due.with_for_update(skip_locked=True)
            while (row := session.exec(locked).first()) is not None:
                claimed = self._take(session, row, now)
                session.add(row)
                if claimed is not None:
                    return claimed
                session.flush()
        return None

    def sent(self, delivery_id: int) -> None:
        """Mark a claimed delivery as sent, and its channel as working."""
        now = self.clock.now()
        with self.db.write() as session:
            row, channel = _row(session, delivery_id)
            row.sent_at, row.claimed_at, row.last_error = now, None, ""
            if row.state == "waiting":
                row.state = "sent"
            channel.last_ok_at, channel.last_error, channel.failing_since = now, "", None
            session.add_all([row, channel])

    def later(self, delivery_id: int, error: str, wait: timedelta | None = None) -> None:
        """Put a claimed delivery off: after ``wait`` (as the other side asked), or by back-off.

        After some tries in vain it goes by the person's other channels, if there are any; without
        them it is tried until it is no news any more.
        """
        now = self.clock.now()
        with self.db.write() as session:
            row, channel = _row(session, delivery_id)
            _failed(channel, error, now)
            row.last_error, row.claimed_at = error[:500], None
            session.add_all([row, channel])
            if row.state != "waiting":
                return
            tired = row.tries >= PATIENCE and stand_in(session, row, now)
            if row.kind == TEST or tired or too_late(row.made_at, now):
                row.state = "given_up"
            else:
                asked = min(wait or timedelta(0), LONGEST_ASKED)
                row.due_at = now + max(backoff(row.tries), asked)

    def refused(self, delivery_id: int, error: str) -> None:
        """Give a claimed delivery up that will never get through; other channels take its place."""
        now = self.clock.now()
        with self.db.write() as session:
            row, channel = _row(session, delivery_id)
            _failed(channel, error, now)
            session.add(channel)
            give_up(session, row, error, now)

    def begin_test(self, person_id: int, channel_id: int) -> Claimed:
        """Write a delivery that only tries a channel, and take it in hand."""
        now = self.clock.now()
        with self.db.write() as session:
            person, channel = session.get(Person, person_id), session.get(Channel, channel_id)
            if person is None or channel is None or channel.person_id != person_id:
                raise NotFound(
                    "channel",
                    say("there is no channel {channel_id} of this person", channel_id=channel_id),
                )
            if channel.retired_at is not None:
                raise NotFound("channel", say("was taken away"))
            token = secrets.token_urlsafe(16)
            row = new_delivery(
                f"{TEST}-{token}", Step(0, person_id, channel_id), TEST, (), now, now
            )
            row.claimed_at, row.tries, row.urgent = now, 1, True
            session.add(row)
            session.flush()
            return _in_hand(session, row, person, channel)

    # -- deliveries are answered -----------------------------------------------------------

    def find(self, token: str) -> tuple[Delivery, list[Notice]]:
        """Return the delivery that an acknowledge link means, with its notices."""
        with self.db.read() as session:
            row = session.exec(select(Delivery).where(col(Delivery.ack_token) == token)).first()
            if row is None:
                raise NotFound("token", say("this link leads to no message"))
            return row, _notices(session, row.notices)

    def acknowledge(self, delivery_id: int) -> Delivery:
        """Somebody has reacted: nobody else is asked about these notices; again changes nothing."""
        with self.db.write() as session:
            row = session.get(Delivery, delivery_id)
            if row is None:
                raise NotFound(
                    "delivery", say("there is no delivery {delivery_id}", delivery_id=delivery_id)
                )
            answer(session, row.notices, self.clock.now(), person_id=row.person_id)
            if row.acknowledged_at is None:
                row.state, row.acknowledged_at = "acknowledged", self.clock.now()
                session.add(row)
            return row

    # -- what can be asked -----------------------------------------------------------------

    def deliveries(self, person_id: int | None = None, limit: int = 50) -> list[Delivery]:
        """Newest deliveries first."""
        query = select(Delivery).order_by(col(Delivery.id).desc()).limit(limit)
        if person_id is not None:
            query = query.where(col(Delivery.person_id) == person_id)
        with self.db.read() as session:
            return list(session.exec(query).all())

    def failing(self) -> list[tuple[Person, Channel]]:
        """Channels in use by which nothing gets through, and whose they are."""
        with self.db.read() as session:
            return [
                (person, channel)
                for person, channel in session.exec(
                    select(Person, Channel)
                    .where(col(Channel.person_id) == col(Person.id))
                    .where(col(Channel.failing_since).is_not(None))
                    .where(col(Channel.retired_at).is_(None), col(Person.retired_at).is_(None))
                    .order_by(col(Channel.id))
                ).all()
            ]

    # -- inside ----------------------------------------------------------------------------

    def _take(self, session: Session, row: Delivery, now: datetime) -> Claimed | None:
        """Claim a row that is due, or mark why it is not sent now."""
        person, channel = (
            session.get_one(Person, row.person_id),
            session.get_one(Channel, row.channel_id),
        )
        if person.retired_at is not None or channel.retired_at is not None:
            give_up(session, row, "the person or channel was taken away", now)
            return None
        if row.level > 0 and all_seen(session, row.notices):
            row.state, row.acknowledged_at = "acknowledged", now
            return None
        rules = hearer_of(person, []).rules
        release = now if row.kind == TEST else rules.release(row.kind, now, self.zone())
        if release > now:
            row.due_at = release
            return None
        row.claimed_at, row.tries = now, row.tries + 1
        return _in_hand(session, row, person, channel)


def _row(session: Session, delivery_id: int) -> tuple[Delivery, Channel]:
    row = session.get_one(Delivery, delivery_id)
    return row, session.get_one(Channel, row.channel_id)


def _failed(channel: Channel, error: str, now: datetime) -> None:
    channel.last_error = error[:500]
    channel.failing_since = channel.failing_since or now


def _notices(session: Session, ids: Iterable[int]) -> list[Notice]:
    found = (session.get(Notice, notice_id) for notice_id in ids)
    return [notice for notice in found if notice is not None]


def _in_hand(session: Session, row: Delivery, person: Person, channel: Channel) -> Claimed:
    owner = _owner(session, row)
    return Claimed(
        id=int(row.id or 0),
        kind=row.kind,
        urgent=row.urgent,
        channel_id=row.channel_id,
        channel_kind=channel.kind,
        config=dict(channel.config),
        prefs=dict(person.prefs),
        notices=tuple(_notices(session, row.notices)),
        ack_token=row.ack_token,
        no_answer_from=owner.name if owner is not None and owner.id != person.id else None,
    )


def _owner(session: Session, row: Delivery) -> Person | None:
    """Return whose rules made a delivery: the person of the lowest level."""
    if row.level == 0:
        return None
    rows = rows_of(session, [row.group_key])
    return session.get(Person, min(rows, key=lambda other: other.level).person_id)
