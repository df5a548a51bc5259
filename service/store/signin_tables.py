"""Tables of sign-in: who may come in, from which devices, with which tokens, and what they did.

No secret is kept that could be used again: passwords as argon2id, every token as its SHA-256 (it is
256 random bits, which no list of guesses reaches).
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import BigInteger, Column
from sqlmodel import Field, SQLModel

from service.store import tables  # noqa: F401 -- sets how constraints are named
from service.store.types import UtcMillis

__all__ = [
    "Account",
    "ApiToken",
    "AuditEntry",
    "DeviceSession",
    "OneTimeLink",
    "Passkey",
    "SignInFailure",
]


def _instant(*, nullable: bool = False, index: bool = False) -> Any:
    return Field(default=None, sa_column=Column(UtcMillis, nullable=nullable, index=index))


class Account(SQLModel, table=True):
    """A person's sign-in. Closed when it is taken away; opened again by a new invitation."""

    id: int | None = Field(default=None, primary_key=True)
    person_id: int = Field(foreign_key="person.id", unique=True)
    role: str = Field(max_length=16)  # owner, finisher, guest
    password_hash: str = Field(default="", max_length=200)
    """argon2id with its figures and salt; empty: no password."""
    user_handle: str = Field(max_length=64, unique=True)
    """Random name under which authenticators know the account: it says nothing of the person."""
    made_at: datetime = _instant()
    closed_at: datetime | None = _instant(nullable=True)


class DeviceSession(SQLModel, table=True):
    """A device that is signed in; without an account it is a wall screen."""

    id: int | None = Field(default=None, primary_key=True)
    account_id: int | None = Field(default=None, foreign_key="account.id", index=True)
    token_hash: str = Field(max_length=64, unique=True)
    device: str = Field(default="", max_length=80)
    address: str = Field(default="", max_length=64)
    made_at: datetime = _instant()
    seen_at: datetime = _instant()
    ended_at: datetime | None = _instant(nullable=True)


class Passkey(SQLModel, table=True):
    """A public key of an authenticator (WebAuthn), for one account."""

    id: int | None = Field(default=None, primary_key=True)
    account_id: int = Field(foreign_key="account.id", index=True)
    credential_id: str = Field(max_length=1400, unique=True)  # base64url
    public_key: str = Field(max_length=2800)  # COSE, base64url
    sign_count: int = Field(default=0, sa_column=Column(BigInteger, nullable=False))
    rp_id: str = Field(max_length=255)
    """Name of the host that it was made for; it works there alone."""
    name: str = Field(default="", max_length=80)
    made_at: datetime = _instant()
    used_at: datetime | None = _instant(nullable=True)


class ApiToken(SQLModel, table=True):
    """What a program signs in with; ``scope`` is read, write or readings."""

    id: int | None = Field(default=None, primary_key=True)
    name: str = Field(max_length=80)
    scope: str = Field(max_length=16)
    token_hash: str = Field(max_length=64, unique=True)
    made_by: int | None = Field(default=None, foreign_key="account.id")
    made_at: datetime = _instant()
    ends_at: datetime | None = _instant(nullable=True)
    used_at: datetime | None = _instant(nullable=True)
    revoked_at: datetime | None = _instant(nullable=True)


class OneTimeLink(SQLModel, table=True):
    """A link that lets somebody in once; ``purpose`` is owner, invite or wall."""

    id: int | None = Field(default=None, primary_key=True)
    token_hash: str = Field(max_length=64, unique=True)
    purpose: str = Field(max_length=16)
    role: str = Field(default="", max_length=16)
    person_id: int | None = Field(default=None, foreign_key="person.id")
    made_at: datetime = _instant()
    ends_at: datetime = _instant()
    used_at: datetime | None = _instant(nullable=True)


class SignInFailure(SQLModel, table=True):
    """Failed attempts of one name from one address, since the last that succeeded."""

    key: str = Field(primary_key=True, max_length=64)
    count: int = 0
    last_at: datetime = _instant(index=True)
    wait_until: datetime = _instant()


class AuditEntry(SQLModel, table=True):
    """Something that was asked to be written: who, when, what, and what came of it."""

    id: int | None = Field(default=None, primary_key=True)
    at: datetime = _instant(index=True)
    who: str = Field(max_length=200)
    role: str = Field(default="", max_length=16)
    account_id: int | None = Field(default=None, foreign_key="account.id", index=True)
    act: str = Field(max_length=240)
    """Method and path; a secret in a path is left out."""
    status: int
    """The HTTP status that was answered."""
    address: str = Field(default="", max_length=64)
