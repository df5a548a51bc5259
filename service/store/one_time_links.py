"""Links that let somebody in once: the first owner, who was invited, a wall screen."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Literal

from sqlmodel import Session, col, select

from service.clock import Clock
from service.shop.said import say
from service.store.accounts import open_in
from service.store.db import Database
from service.store.errors import NotFound
from service.store.fields import text
from service.store.secrets_hashed import digest, new_secret
from service.store.sessions import begin_in, end_in
from service.store.signin_tables import Account, OneTimeLink, SignInFailure
from service.store.tables import Person

__all__ = ["LASTS", "OneTimeLinks", "Purpose"]

Purpose = Literal["owner", "invite", "wall"]

LASTS: dict[Purpose, timedelta] = {
    "owner": timedelta(days=1),
    "invite": timedelta(days=7),
    "wall": timedelta(days=1),
}
"""How long a link may be used, by what it is for."""


class OneTimeLinks:
    """Makes links and takes them in: a link is used up in the transaction that lets somebody in."""

    def __init__(self, db: Database, clock: Clock) -> None:
        self.db, self.clock = db, clock

    def make(self, purpose: Purpose, role: str = "", person_id: int | None = None) -> str:
        """Make a link; return its secret.

        An owner's link from the machine ends those made before; so does one for the same person.
        """
        now = self.clock.now()
        secret = new_secret()
        with self.db.write() as session:
            if person_id is not None:
                _person(session, person_id)
            for row in session.exec(select(OneTimeLink)).all():
                if row.ends_at < now - timedelta(days=30):
                    session.delete(row)
                elif _replaced(row, purpose, person_id):
                    row.used_at = now
                    session.add(row)
            session.add(
                OneTimeLink(
                    token_hash=digest(secret),
                    purpose=purpose,
                    role=role,
                    person_id=person_id,
                    made_at=now,
                    ends_at=now + LASTS[purpose],
                )
            )
        return secret

    def look(self, secret: str) -> OneTimeLink:
        """Return a link that may still be used, without using it.

        Raises
        ------
        NotFound
            Where it was used, is too old, or never was.
        """
        with self.db.read() as session:
            return _usable(session, secret, self.clock.now())

    def person(self, link: OneTimeLink) -> Person | None:
        """Whom an invitation is for."""
        if link.person_id is None:
            return None
        with self.db.read() as session:
            return _person(session, link.person_id)

    def accept(
        self, secret: str, device: str, address: str, *, name: str = "", password_hash: str = ""
    ) -> tuple[str, Account | None]:
        """Use a link up: make the account, sign the device in; return its token and the account.

        A password that is not given is left as it is; one that is given signs out what was signed
        in by the old one. ``name`` counts for an owner's link only.
        """
        now = self.clock.now()
        with self.db.write() as session:
            link = _usable(session, secret, now)
            link.used_at = now
            session.add(link)
            if link.purpose == "wall":
                return begin_in(session, None, device, address, now), None
            if link.purpose == "owner":
                person = _called(session, name, now)
                role = "owner"
                # Whoever may run commands on the machine need not wait for anything.
                for row in session.exec(select(SignInFailure)).all():
                    session.delete(row)
            else:
                if link.person_id is None:
                    raise NotFound("link", say("has been used or is too old"))
                person, role = _person(session, link.person_id), link.role
            account = open_in(session, int(person.id or 0), role, now)
            if password_hash:
                account.password_hash = password_hash
                end_in(session, int(account.id or 0), now)
                session.add(account)
            return begin_in(session, account.id, device, address, now), account

    def waiting(self, person_id: int) -> datetime | None:
        """Until when an invitation of a person may be used, if there is one."""
        with self.db.read() as session:
            query = select(OneTimeLink).where(
                col(OneTimeLink.person_id) == person_id,
                col(OneTimeLink.used_at).is_(None),
                col(OneTimeLink.ends_at) > self.clock.now(),
            )
            row = session.exec(query).first()
            return None if row is None else row.ends_at

    def first_owner_name(self) -> str:
        """Name of the owner there is, for a link that helps one back in; else empty."""
        with self.db.read() as session:
            query = (
                select(Person)
                .where(
                    col(Person.id) == col(Account.person_id),
                    col(Person.retired_at).is_(None),
                    col(Account.role) == "owner",
                    col(Account.closed_at).is_(None),
                )
                .order_by(col(Account.id))
            )
            person = session.exec(query).first()
            return "" if person is None else person.name


def _replaced(row: OneTimeLink, purpose: Purpose, person_id: int | None) -> bool:
    if purpose == "wall" or row.used_at is not None:  # several screens may be set up at once
        return False
    return (row.purpose, row.person_id) == (purpose, person_id)


def _usable(session: Session, secret: str, now: datetime) -> OneTimeLink:
    row = session.exec(
        select(OneTimeLink).where(col(OneTimeLink.token_hash) == digest(secret))
    ).first()
    if row is None or row.used_at is not None or now >= row.ends_at:
        raise NotFound("link", say("has been used or is too old"))
    return row


def _called(session: Session, name: str, now: datetime) -> Person:
    """Return the person of a name, made where there is nobody called so."""
    name = text("name", name, 80, required=True)
    row = session.exec(select(Person).where(col(Person.name) == name)).first()
    if row is None:
        row = Person(name=name, made_at=now)
    row.retired_at = None
    session.add(row)
    session.flush()
    return row


def _person(session: Session, person_id: int) -> Person:
    row = session.get(Person, person_id)
    if row is None or row.retired_at is not None:
        raise NotFound("person", say("there is no person {person_id}", person_id=person_id))
    return row
