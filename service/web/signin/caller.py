"""Who asks: a person at a device, a wall screen, a program with a token, or nobody known."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import cast

from starlette.requests import Request

__all__ = ["NOBODY", "OPEN", "Caller", "caller_of"]


@dataclass(frozen=True)
class Caller:
    """Whoever asks, as far as it is known.

    ``role`` is owner, finisher or guest for people, wall for a screen, token-read, token-write or
    token-readings for programs, and nobody for the rest; with sign-in off everybody is an owner
    without an account.
    """

    role: str
    name: str = ""
    account_id: int | None = None
    person_id: int | None = None
    session_id: int | None = None
    token_id: int | None = None
    since: datetime | None = None
    """When this device was signed in; None for programs."""

    @property
    def signed_in(self) -> bool:
        """Whether it is a person with an account."""
        return self.account_id is not None

    @property
    def by_cookie(self) -> bool:
        """Whether a browser sent the proof by itself, so that the request needs its own."""
        return self.session_id is not None


NOBODY = Caller("nobody")
OPEN = Caller("owner")
"""Everybody, where sign-in is off."""


def caller_of(request: Request) -> Caller:
    """Return who asks, as the gate found out."""
    return cast("Caller", getattr(request.state, "caller", NOBODY))
