"""Devices that are signed in: made, found by their token, listed, ended."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlmodel import Session, col, delete, or_, select

from service.clock import Clock
from service.shop.said import say
from service.store.db import Database
from service.store.errors import NotFound
from service.store.secrets_hashed import digest, new_secret
from service.store.signin_tables import Account, DeviceSession
from service.store.tables import Person

__all__ = ["LONGEST", "UNUSED", "Device", "Sessions", "begin_in", "end_in"]

UNUSED = timedelta(days=90)
"""A device that was not seen for so long has to sign in again."""

LONGEST = timedelta(days=400)
"""No device stays signed in longer; browsers keep no cookie longer either."""

SEEN_EVERY = timedelta(minutes=10)
"""How exactly it is kept when a device was last seen."""


@dataclass(frozen=True)
class Device:
    """A signed-in device; a wall screen belongs to nobody."""

    row: DeviceSession
    account: Account | None
    person: Person | None


class Sessions:
    """Finds and ends the sessions of devices."""

    def __init__(self, db: Database, clock: Clock) -> None:
        self.db, self.clock = db, clock

    def begin(self, account_id: int | None, device: str, address: str) -> str:
        """Sign a device in; return its token, which is kept nowhere else."""
        with self.db.write() as session:
            return begin_in(session, account_id, device, address, self.clock.now())

    def find(self, token: str) -> Device | None:
        """Return the device that a token belongs to, if it is still signed in."""
        with self.db.read() as session:
            query = select(DeviceSession).where(col(DeviceSession.token_hash) == digest(token))
            row = session.exec(query).first()
            if row is None or not _alive(row, self.clock.now()):
                return None
            return _device(session, row)

    def seen(self, device: Device) -> None:
        """Keep that a device was just seen, where that is news."""
        now = self.clock.now()
        if now < device.row.seen_at + SEEN_EVERY:
            return
        with self.db.write() as session:
            row = session.get(DeviceSession, device.row.id)
            if row is not None and row.ended_at is None:
                row.seen_at = now
                session.add(row)

    def alive(self) -> list[Device]:
        """Every device that is signed in, the one seen last first."""
        now = self.clock.now()
        with self.db.read() as session:
            query = (
                select(DeviceSession)
                .where(col(DeviceSession.ended_at).is_(None))
                .order_by(col(DeviceSession.seen_at).desc(), col(DeviceSession.id).desc())
            )
            rows = [row for row in session.exec(query).all() if _alive(row, now)]
            found = [_device(session, row) for row in rows]
            return [device for device in found if device is not None]

    def end(self, session_id: int, account_id: int | None = None) -> None:
        """Sign a device out; with ``account_id`` only one of that account's."""
        with self.db.write() as session:
            row = session.get(DeviceSession, session_id)
            mine = account_id is None or (row is not None and row.account_id == account_id)
            if row is None or row.ended_at is not None or not mine:
                raise NotFound(
                    "session", say("there is no device {session_id}", session_id=session_id)
                )
            row.ended_at = self.clock.now()
            session.add(row)

    def end_others(self, account_id: int, but: int | None) -> int:
        """Sign out every device of an account but one; return how many."""
        with self.db.write() as session:
            return end_in(session, account_id, self.clock.now(), but)


def begin_in(
    session: Session, account_id: int | None, device: str, address: str, now: datetime
) -> str:
    """Sign a device in within a transaction under way; return its token.

    Devices that have been out for longer than anybody asks are dropped.
    """
    before = now - LONGEST
    session.exec(
        delete(DeviceSession).where(
            or_(col(DeviceSession.ended_at) < before, col(DeviceSession.made_at) < before)
        )
    )
    token = new_secret()
    session.add(
        DeviceSession(
            account_id=account_id,
            token_hash=digest(token),
            device=device[:80],
            address=address[:64],
            made_at=now,
            seen_at=now,
        )
    )
    return token


def end_in(session: Session, account_id: int, now: datetime, but: int | None = None) -> int:
    """Sign out the devices of an account within a transaction under way; return how many."""
    query = select(DeviceSession).where(
        col(DeviceSession.account_id) == account_id, col(DeviceSession.ended_at).is_(None)
    )
    ended = [row for row in session.exec(query).all() if row.id != but]
    for row in ended:
        row.ended_at = now
        session.add(row)
    return len(ended)


def _alive(row: DeviceSession, now: datetime) -> bool:
    return row.ended_at is None and now < row.seen_at + UNUSED and now < row.made_at + LONGEST


def _device(session: Session, row: DeviceSession) -> Device | None:
    if row.account_id is None:
        return Device(row, None, None)
    account = session.get(Account, row.account_id)
    person = None if account is None else session.get(Person, account.person_id)
    if account is None or account.closed_at is not None:
        return None
    if person is None or person.retired_at is not None:
        return None
    return Device(row, account, person)
