"""What the API takes and gives of ways in: roles, links, devices, tokens. Secrets go out once."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from service.store.sessions import Device
from service.store.signin_tables import ApiToken
from service.web.inputs import _In
from service.web.models import Instant, _Out

__all__ = [
    "AccessOut",
    "DeviceOut",
    "LinkOut",
    "RoleIn",
    "TokenIn",
    "TokenMadeOut",
    "TokenOut",
    "device_out",
    "token_out",
]

Role = Literal["owner", "finisher", "guest"]
Scope = Literal["read", "write", "readings"]


class RoleIn(_In):
    """What somebody may: all, the shop's work, or read."""

    role: Role


class AccessOut(_Out):
    """A person, and what they may; without a role they have no sign-in.

    A link that nobody has used yet waits until ``link_until``.
    """

    person: int
    name: str
    role: Role | None
    link_until: Instant | None


class LinkOut(_Out):
    """The address of a link that lets somebody in once; it is told this once."""

    address: str
    ends_at: Instant


class DeviceOut(_Out):
    """A device that is signed in; a wall screen is nobody's."""

    id: int
    person: int | None
    name: str | None
    device: str
    address: str
    signed_in_at: Instant
    seen_at: Instant
    this: bool


class TokenIn(_In):
    """A token for a program, for so many days; null: without an end."""

    name: Annotated[str, Field(min_length=1, max_length=80)]
    scope: Scope
    days: Annotated[int, Field(ge=1, le=3650)] | None = 365


class TokenOut(_Out):
    """A token that counts, without its secret."""

    id: int
    name: str
    scope: Scope
    made_at: Instant
    ends_at: Instant | None
    used_at: Instant | None


class TokenMadeOut(TokenOut):
    """A token that was just made; ``token`` is told this once."""

    token: str


def device_out(device: Device, this_id: int | None) -> DeviceOut:
    """A device; ``this_id`` is the one that asks."""
    row, person = device.row, device.person
    return DeviceOut(
        id=int(row.id or 0),
        person=None if person is None else person.id,
        name=None if person is None else person.name,
        device=row.device,
        address=row.address,
        signed_in_at=row.made_at,
        seen_at=row.seen_at,
        this=row.id == this_id,
    )


def token_out(row: ApiToken) -> TokenOut:
    """A token, without its secret."""
    return TokenOut.model_validate(row)
