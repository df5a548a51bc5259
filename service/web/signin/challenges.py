"""Challenges for authenticators: random, short-lived, for one purpose, and taken once.

They are signed instead of kept, so that asking for many of them costs the service nothing.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from datetime import UTC, datetime, timedelta

from service.store.challenge_book import ChallengeBook

__all__ = ["LASTS_S", "Challenges"]

LASTS_S = 300.0
"""Real seconds in which a person finds their key."""

_TIME, _RANDOM = 8, 16


class Challenges:
    """Makes challenges and knows its own again, and those of the shop's other workers."""

    def __init__(self, book: ChallengeBook) -> None:
        self._book = book

    def make(self, purpose: str) -> bytes:
        """Return a challenge for a purpose, such as ``sign in``."""
        until = self._book.clock.now() + timedelta(seconds=LASTS_S)
        plain = int(until.timestamp() * 1000).to_bytes(_TIME, "big") + secrets.token_bytes(_RANDOM)
        return plain + self._mark(plain, purpose)

    def take(self, challenge: bytes, purpose: str) -> bool:
        """Whether a challenge was made here for this purpose, lately, and was not taken before."""
        plain, mark = challenge[: _TIME + _RANDOM], challenge[_TIME + _RANDOM :]
        if not hmac.compare_digest(mark, self._mark(plain, purpose)):
            return False
        until = datetime.fromtimestamp(int.from_bytes(plain[:_TIME], "big") / 1000, UTC)
        return self._book.clock.now() < until and self._book.take(plain.hex(), until)

    def _mark(self, plain: bytes, purpose: str) -> bytes:
        return hmac.digest(self._book.key(), plain + purpose.encode(), hashlib.sha256)
