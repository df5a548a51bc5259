"""Tokens for programs: made, found, listed, revoked."""

from __future__ import annotations

from datetime import timedelta

from sqlmodel import col, select

from service.clock import Clock
from service.shop.said import say
from service.store.db import Database
from service.store.errors import BadInput, NotFound
from service.store.fields import text
from service.store.secrets_hashed import digest, new_secret
from service.store.signin_tables import ApiToken

__all__ = ["LONGEST_DAYS", "SCOPES", "ApiTokens"]

SCOPES = ("read", "write", "readings")
"""What a token is for: reading everything; the shop's work too; nothing but what is measured."""

LONGEST_DAYS = 3650
USED_EVERY = timedelta(minutes=10)
"""How exactly it is kept when a token was last used."""

PREFIX = "bg_"
"""Begins every token, so that a search finds one that was left lying about."""


class ApiTokens:
    """Makes tokens, of which only a digest is kept, and knows them again."""

    def __init__(self, db: Database, clock: Clock) -> None:
        self.db, self.clock = db, clock

    def make(self, name: str, scope: str, days: int | None, made_by: int | None) -> str:
        """Make a token that ends after so many days, or never; return it, this once.

        Raises
        ------
        BadInput
            Naming ``name``, ``scope`` or ``days``.
        """
        name = text("name", name, 80, required=True)
        if scope not in SCOPES:
            raise BadInput("scope", say("is none of the choices"))
        if days is not None and not 1 <= days <= LONGEST_DAYS:
            raise BadInput("days", say("must be 1 to {most}, or empty", most=LONGEST_DAYS))
        token, now = PREFIX + new_secret(), self.clock.now()
        with self.db.write() as session:
            session.add(
                ApiToken(
                    name=name,
                    scope=scope,
                    token_hash=digest(token),
                    made_by=made_by,
                    made_at=now,
                    ends_at=None if days is None else now + timedelta(days=days),
                )
            )
        return token

    def find(self, token: str) -> ApiToken | None:
        """Return the token that was sent, if it is one that still counts."""
        now = self.clock.now()
        with self.db.read() as session:
            query = select(ApiToken).where(col(ApiToken.token_hash) == digest(token))
            row = session.exec(query).first()
        if row is None or row.revoked_at is not None:
            return None
        return None if row.ends_at is not None and now >= row.ends_at else row

    def used(self, row: ApiToken) -> None:
        """Keep that a token was just used, where that is news."""
        now = self.clock.now()
        if row.used_at is not None and now < row.used_at + USED_EVERY:
            return
        with self.db.write() as session:
            kept = session.get(ApiToken, row.id)
            if kept is not None:
                kept.used_at = now
                session.add(kept)

    def in_use(self) -> list[ApiToken]:
        """Return every token that still counts, the newest first."""
        now = self.clock.now()
        with self.db.read() as session:
            query = select(ApiToken).where(col(ApiToken.revoked_at).is_(None))
            rows = session.exec(query.order_by(col(ApiToken.id).desc())).all()
        return [row for row in rows if row.ends_at is None or now < row.ends_at]

    def revoke(self, token_id: int) -> None:
        """Let a token count no more."""
        with self.db.write() as session:
            row = session.get(ApiToken, token_id)
            if row is None or row.revoked_at is not None:
                raise NotFound("token", say("there is no token {token_id}", token_id=token_id))
            row.revoked_at = self.clock.now()
            session.add(row)
