"""Challenges for authenticators: random, short-lived, for one purpose, and taken once.

They are signed instead of kept, so that asking for many of them costs the service nothing.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
import time
from threading import Lock

__all__ = ["LASTS_S", "Challenges"]

LASTS_S = 300.0
"""Real seconds in which a person finds their key."""

_TIME, _RANDOM = 8, 16


class Challenges:
    """Makes challenges and knows its own again; after a restart nobody's are."""

    def __init__(self) -> None:
        self._key = secrets.token_bytes(32)
        self._taken: dict[bytes, float] = {}
        self._lock = Lock()

    def make(self, purpose: str) -> bytes:
        """Return a challenge for a purpose, such as ``sign in``."""
        until = int((time.monotonic() + LASTS_S) * 1000).to_bytes(_TIME, "big")
        plain = until + secrets.token_bytes(_RANDOM)
        return plain + self._mark(plain, purpose)

    def take(self, challenge: bytes, purpose: str) -> bool:
        """Whether a challenge was made here for this purpose, lately, and was not taken before."""
        plain, mark = challenge[: _TIME + _RANDOM], challenge[_TIME + _RANDOM :]
        if not hmac.compare_digest(mark, self._mark(plain, purpose)):
            return False
        until, now = int.from_bytes(plain[:_TIME], "big") / 1000, time.monotonic()
        with self._lock:
            self._taken = {key: end for key, end in self._taken.items() if end > now}
            if now >= until or challenge in self._taken:
                return False
            self._taken[challenge] = until
        return True

    def _mark(self, plain: bytes, purpose: str) -> bytes:
        return hmac.digest(self._key, plain + purpose.encode(), hashlib.sha256)
