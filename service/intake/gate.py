"""Who may come into the embedded broker."""

from __future__ import annotations

import hmac
from dataclasses import dataclass, field

from amqtt.plugins.base import BaseAuthPlugin
from amqtt.session import Session

__all__ = ["PasswordGate"]


class PasswordGate(BaseAuthPlugin):  # type: ignore[misc]  # amqtt is untyped
    """Lets in whoever knows the password of a user.

    The passwords are long and random, made by us and kept beside this broker, so comparing them
    is enough: nothing would be won by hashing them, which takes a small board a second a visitor.
    """

    @dataclass
    class Config:
        """User names with their passwords."""

        users: dict[str, str] = field(default_factory=dict)

    async def authenticate(self, *, session: Session) -> bool:
        """Say whether user and password belong together."""
        expected = self.config.users.get(session.username or "")
        given = session.password or ""
        return expected is not None and hmac.compare_digest(given.encode(), expected.encode())
