"""Passkeys: public keys of people's authenticators."""

from __future__ import annotations

from sqlmodel import col, select

from service.clock import Clock
from service.shop.said import say
from service.store.db import Database
from service.store.errors import Conflict, NotFound
from service.store.signin_tables import Passkey

__all__ = ["MOST", "PasskeyBook"]

MOST = 20
"""So many passkeys an account may have."""


class PasskeyBook:
    """Keeps passkeys; of a key that is taken away nothing is left."""

    def __init__(self, db: Database, clock: Clock) -> None:
        self.db, self.clock = db, clock

    def of_account(self, account_id: int) -> list[Passkey]:
        """Return an account's passkeys, the oldest first."""
        with self.db.read() as session:
            query = select(Passkey).where(col(Passkey.account_id) == account_id)
            return list(session.exec(query.order_by(col(Passkey.id))).all())

    def find(self, credential_id: str) -> Passkey | None:
        """Return the passkey that an authenticator names, base64url."""
        with self.db.read() as session:
            query = select(Passkey).where(col(Passkey.credential_id) == credential_id)
            return session.exec(query).first()

    def add(
        self,
        account_id: int,
        *,
        credential_id: str,
        public_key: str,
        sign_count: int,
        rp_id: str,
        name: str,
    ) -> Passkey:
        """Keep a passkey that was just made."""
        with self.db.write() as session:
            query = select(Passkey).where(col(Passkey.account_id) == account_id)
            if len(session.exec(query).all()) >= MOST:
                raise Conflict("passkey", say("there are {most} already", most=MOST))
            known = select(Passkey).where(col(Passkey.credential_id) == credential_id)
            if session.exec(known).first() is not None:
                raise Conflict("passkey", say("is known already"))
            made = Passkey(
                account_id=account_id,
                credential_id=credential_id,
                public_key=public_key,
                sign_count=sign_count,
                rp_id=rp_id,
                name=name[:80],
                made_at=self.clock.now(),
            )
            session.add(made)
            session.flush()
            return made

    def used(self, passkey_id: int, sign_count: int) -> None:
        """Keep how often a passkey has signed, by its own count."""
        with self.db.write() as session:
            row = session.get(Passkey, passkey_id)
            if row is not None:
                row.sign_count, row.used_at = sign_count, self.clock.now()
                session.add(row)

    def remove(self, account_id: int, passkey_id: int) -> None:
        """Take one of an account's passkeys away."""
        with self.db.write() as session:
            row = session.get(Passkey, passkey_id)
            if row is None or row.account_id != account_id:
                raise NotFound(
                    "passkey", say("there is no passkey {passkey_id}", passkey_id=passkey_id)
                )
            session.delete(row)
