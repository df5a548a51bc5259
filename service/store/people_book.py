"""People who are told things, and the ways to reach them."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from sqlmodel import Session, col, select

from service.clock import Clock
from service.shop.said import say
from service.shop.telling import Hearer, Rules
from service.shop.telling_rules import RuleError, read_rules, read_ways, rules_as_data
from service.store.accounts import close_in
from service.store.db import Database
from service.store.errors import BadInput, Conflict, NotFound
from service.store.fields import text
from service.store.tables import Channel, Person

__all__ = ["PeopleBook", "channels_of", "hearer_of", "hearers"]

MOST_PREFS = 2000
"""Largest preferences, as JSON."""


class PeopleBook:
    """Writes people and channels; nobody is deleted, for the outbox names them."""

    def __init__(self, db: Database, clock: Clock) -> None:
        self.db, self.clock = db, clock

    def people(self) -> list[Person]:
        """Everybody who has not been taken away, by name."""
        with self.db.read() as session:
            return _people(session)

    def person(self, person_id: int) -> Person:
        """One of them."""
        with self.db.read() as session:
            return _person(session, person_id)

    def rules(self, person_id: int) -> dict[str, Any]:
        """A person's rules, every field said."""
        with self.db.read() as session:
            person = _person(session, person_id)
            hearer = hearer_of(person, channels_of(session, person_id))
            return rules_as_data(hearer.rules, hearer.ways)

    def add(
        self,
        name: str,
        prefs: Mapping[str, Any] | None = None,
        telling: Mapping[str, Any] | None = None,
    ) -> Person:
        """Add a person; one of that name who was taken away comes back."""
        name = text("name", name, 80, required=True)
        with self.db.write() as session:
            row = session.exec(select(Person).where(col(Person.name) == name)).first()
            if row is not None and row.retired_at is None:
                raise Conflict("name", say("there is {name!r} already", name=name))
            row = row or Person(name=name, made_at=self.clock.now())
            row.retired_at = None
            return self._set(session, row, prefs, telling)

    def change(
        self,
        person_id: int,
        *,
        name: str | None = None,
        prefs: Mapping[str, Any] | None = None,
        telling: Mapping[str, Any] | None = None,
    ) -> Person:
        """Change what is given; ``prefs`` and ``telling`` are taken as a whole."""
        with self.db.write() as session:
            row = _person(session, person_id)
            if name is not None:
                name = text("name", name, 80, required=True)
                other = session.exec(select(Person).where(col(Person.name) == name)).first()
                if other is not None and other.id != person_id:
                    raise Conflict("name", say("there is {name!r} already", name=name))
                row.name = name
            return self._set(session, row, prefs, telling)

    def retire(self, person_id: int) -> None:
        """Take a person away: nothing more is told, what waits is given up, addresses forgotten.

        A sign-in goes too; raises Conflict naming ``role`` where it is the last owner's.
        """
        now = self.clock.now()
        with self.db.write() as session:
            row = _person(session, person_id)
            close_in(session, person_id, now)
            row.retired_at = now
            session.add(row)
            for channel in channels_of(session, person_id):
                channel.retired_at, channel.config = now, {}
                session.add(channel)

    def channels(self, person_id: int) -> list[Channel]:
        """A person's channels that are in use, the oldest first."""
        with self.db.read() as session:
            _person(session, person_id)
            return channels_of(session, person_id)

    def channel(self, person_id: int, channel_id: int) -> Channel:
        """One of them."""
        with self.db.read() as session:
            return _channel(session, person_id, channel_id)

    def add_channel(
        self, person_id: int, kind: str, name: str, config: Mapping[str, Any]
    ) -> Channel:
        """Add a way to reach a person; ``config`` has been checked by its sender.

        The same address again is the same channel: a browser may subscribe as often as it likes.
        """
        name = text("name", name, 80, required=True)
        with self.db.write() as session:
            _person(session, person_id)
            for row in channels_of(session, person_id):
                if row.kind == kind and row.config == dict(config):
                    return row
            made = Channel(
                person_id=person_id,
                kind=kind,
                name=name,
                config=dict(config),
                made_at=self.clock.now(),
            )
            session.add(made)
            session.flush()
            return made

    def change_channel(
        self,
        person_id: int,
        channel_id: int,
        *,
        name: str | None = None,
        config: Mapping[str, Any] | None = None,
    ) -> Channel:
        """Change a channel's name, or its address as checked by its sender."""
        with self.db.write() as session:
            row = _channel(session, person_id, channel_id)
            if name is not None:
                row.name = text("name", name, 80, required=True)
            if config is not None:
                row.config = dict(config)
                row.last_error, row.failing_since = "", None
            session.add(row)
            return row

    def retire_channel(self, person_id: int, channel_id: int) -> None:
        """Take a channel away; its address and secrets are forgotten."""
        with self.db.write() as session:
            row = _channel(session, person_id, channel_id)
            row.retired_at, row.config = self.clock.now(), {}
            session.add(row)

    def _set(
        self,
        session: Session,
        row: Person,
        prefs: Mapping[str, Any] | None,
        telling: Mapping[str, Any] | None,
    ) -> Person:
        if prefs is not None:
            if len(json.dumps(dict(prefs))) > MOST_PREFS:
                raise BadInput(
                    "prefs", say("must be at most {most_prefs} characters", most_prefs=MOST_PREFS)
                )
            row.prefs = dict(prefs)
        if telling is not None:
            try:
                then = read_rules(telling).then_person
                read_ways(telling, [])
            except RuleError as error:
                raise BadInput(error.field, error.reason) from error
            if then is not None:
                if then == row.id:
                    raise BadInput("then_person", say("must be somebody else"))
                other = session.get(Person, then)
                if other is None or other.retired_at is not None:
                    raise BadInput(
                        "then_person", say("there is no person {person_id}", person_id=then)
                    )
            row.telling = dict(telling)
        session.add(row)
        session.flush()
        return row


def hearers(session: Session) -> list[Hearer]:
    """Everybody who can be told something, with rules and ways."""
    return [hearer_of(p, channels_of(session, int(p.id or 0))) for p in _people(session)]


def hearer_of(person: Person, channels: list[Channel]) -> Hearer:
    """Return a person's rules and ways.

    Rules that cannot be read (another version may have written them) are taken as the usual ones:
    better told too much than nothing.
    """
    ids = [int(channel.id or 0) for channel in channels]
    try:
        rules, ways = read_rules(person.telling), read_ways(person.telling, ids)
    except RuleError:
        rules, ways = Rules(), read_ways({}, ids)
    return Hearer(int(person.id or 0), rules, ways)


def channels_of(session: Session, person_id: int) -> list[Channel]:
    """Return a person's channels that are in use."""
    return list(
        session.exec(
            select(Channel)
            .where(col(Channel.person_id) == person_id, col(Channel.retired_at).is_(None))
            .order_by(col(Channel.id))
        ).all()
    )


def _people(session: Session) -> list[Person]:
    return list(
        session.exec(
            select(Person).where(col(Person.retired_at).is_(None)).order_by(col(Person.name))
        ).all()
    )


def _person(session: Session, person_id: int) -> Person:
    row = session.get(Person, person_id)
    if row is None or row.retired_at is not None:
        raise NotFound("person", say("there is no person {person_id}", person_id=person_id))
    return row


def _channel(session: Session, person_id: int, channel_id: int) -> Channel:
    _person(session, person_id)
    row = session.get(Channel, channel_id)
    if row is None or row.retired_at is not None or row.person_id != person_id:
        raise NotFound(
            "channel", say("there is no channel {channel_id} of this person", channel_id=channel_id)
        )
    return row
