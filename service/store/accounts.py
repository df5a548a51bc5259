"""Accounts: which person may sign in, as what, and by which password."""

from __future__ import annotations

import secrets
from datetime import datetime

from sqlmodel import Session, col, select

from service.clock import Clock
from service.shop.said import say
from service.store.db import Database
from service.store.errors import BadInput, Conflict, NotFound
from service.store.signin_tables import Account, DeviceSession, Passkey
from service.store.tables import Person

__all__ = ["ROLES", "Accounts", "account_of", "close_in", "open_in"]

ROLES = ("owner", "finisher", "guest")
"""What a person may be: everything; all of the work; reading."""


class Accounts:
    """Reads and changes accounts; the shop never loses its last owner."""

    def __init__(self, db: Database, clock: Clock) -> None:
        self.db, self.clock = db, clock

    def has_owner(self) -> bool:
        """Whether somebody may do everything."""
        with self.db.read() as session:
            return bool(_owners(session))

    def everybody(self) -> list[tuple[Account, Person]]:
        """Every account in use with its person, by name."""
        with self.db.read() as session:
            return _open(session)

    def of_person(self, person_id: int) -> Account | None:
        """Return the account of a person, if there is one in use."""
        with self.db.read() as session:
            found = account_of(session, person_id)
            return found if found is not None and found.closed_at is None else None

    def get(self, account_id: int) -> Account:
        """Return an account in use."""
        with self.db.read() as session:
            return _get(session, account_id)

    def named(self, name: str) -> Account | None:
        """Return the account of whoever is called so; capitals do not matter."""
        wanted = " ".join(name.split()).casefold()
        with self.db.read() as session:
            return next((a for a, p in _open(session) if p.name.casefold() == wanted), None)

    def with_handle(self, user_handle: str) -> Account | None:
        """Return the account that an authenticator knows by this name."""
        with self.db.read() as session:
            query = select(Account).where(
                col(Account.user_handle) == user_handle, col(Account.closed_at).is_(None)
            )
            return session.exec(query).first()

    def set_password(self, account_id: int, password_hash: str) -> None:
        """Keep another password's hash; an empty one leaves the account without."""
        with self.db.write() as session:
            row = _get(session, account_id)
            row.password_hash = password_hash
            session.add(row)

    def set_role(self, person_id: int, role: str) -> None:
        """Make a person something else.

        Raises
        ------
        Conflict
            Naming ``role`` where the shop would be left without an owner.
        """
        _known(role)
        with self.db.write() as session:
            row = account_of(session, person_id)
            if row is None or row.closed_at is not None:
                raise NotFound("person", say("has no sign-in"))
            if row.role == "owner" and role != "owner":
                _not_the_last(session, row)
            row.role = role
            session.add(row)

    def close(self, person_id: int) -> None:
        """Take a person's sign-in away: devices, password and passkeys at once."""
        with self.db.write() as session:
            close_in(session, person_id, self.clock.now())


def account_of(session: Session, person_id: int) -> Account | None:
    """Return a person's account, closed or not, within a transaction under way."""
    return session.exec(select(Account).where(col(Account.person_id) == person_id)).first()


def open_in(session: Session, person_id: int, role: str, now: datetime) -> Account:
    """Return a person's account with this role, made or opened again where it was not there."""
    _known(role)
    row = account_of(session, person_id) or Account(
        person_id=person_id, role=role, user_handle=secrets.token_urlsafe(32), made_at=now
    )
    if row.role == "owner" and role != "owner" and row.id is not None and row.closed_at is None:
        _not_the_last(session, row)
    row.role, row.closed_at = role, None
    session.add(row)
    session.flush()
    return row


def close_in(session: Session, person_id: int, now: datetime) -> None:
    """Close a person's account within a transaction under way; nothing where there is none.

    Raises
    ------
    Conflict
        Naming ``role`` where it is the last owner's.
    """
    row = account_of(session, person_id)
    if row is None or row.closed_at is not None:
        return
    if row.role == "owner":
        _not_the_last(session, row)
    row.closed_at, row.password_hash = now, ""
    session.add(row)
    for key in session.exec(select(Passkey).where(col(Passkey.account_id) == row.id)).all():
        session.delete(key)
    devices = select(DeviceSession).where(
        col(DeviceSession.account_id) == row.id, col(DeviceSession.ended_at).is_(None)
    )
    for device in session.exec(devices).all():
        device.ended_at = now
        session.add(device)


def _known(role: str) -> None:
    if role not in ROLES:
        raise BadInput("role", say("is none of the choices"))


def _owners(session: Session) -> list[Account]:
    return [account for account, _ in _open(session) if account.role == "owner"]


def _not_the_last(session: Session, row: Account) -> None:
    if all(owner.id == row.id for owner in _owners(session)):
        raise Conflict("role", say("the shop needs an owner: make somebody else one first"))


def _open(session: Session) -> list[tuple[Account, Person]]:
    query = (
        select(Account, Person)
        .where(
            col(Account.person_id) == col(Person.id),
            col(Account.closed_at).is_(None),
            col(Person.retired_at).is_(None),
        )
        .order_by(col(Person.name))
    )
    return list(session.exec(query).all())


def _get(session: Session, account_id: int) -> Account:
    row = session.get(Account, account_id)
    if row is None or row.closed_at is not None:
        raise NotFound("account", say("there is no account {account_id}", account_id=account_id))
    return row
