"""Passwords: argon2id with the library's figures (RFC 9106, for little memory)."""

from __future__ import annotations

import threading

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

from service.shop.said import say
from service.store.errors import BadInput

__all__ = ["LEAST", "MOST", "Passwords"]

LEAST, MOST = 10, 200
"""Length in characters. There are no rules about kinds of characters (NIST SP 800-63B)."""


class Passwords:
    """Makes and checks hashes, one at a time: each takes 64 MiB, and boards are small."""

    def __init__(self, hasher: PasswordHasher | None = None) -> None:
        self._hasher = hasher or PasswordHasher()
        self._turn = threading.Lock()
        self._decoy = ""

    def make(self, password: str, *unlike: str) -> str:
        """Return the hash of a new password, which must be none of ``unlike``.

        Raises
        ------
        BadInput
            Naming ``password`` where it is too short, too long or one of those.
        """
        if not LEAST <= len(password) <= MOST:
            raise BadInput(
                "password", say("must have {least} to {most} characters", least=LEAST, most=MOST)
            )
        plain = password.strip().casefold()
        if len(set(plain)) < 4 or any(one and plain == one.strip().casefold() for one in unlike):
            raise BadInput("password", say("is too easy to guess"))
        with self._turn:
            return self._hasher.hash(password)

    def fits(self, password: str, kept: str) -> bool:
        """Whether a password is the one of a hash; as slow where there is none to compare with."""
        with self._turn:
            try:
                return self._hasher.verify(kept or self._nobodys(), password[:MOST]) and bool(kept)
            except (VerificationError, InvalidHashError):
                return False

    def wants_renewal(self, kept: str) -> bool:
        """Whether a hash was made with weaker figures than are usual now."""
        return self._hasher.check_needs_rehash(kept)

    def again(self, password: str) -> str:
        """Hash a password that is in use already."""
        with self._turn:
            return self._hasher.hash(password)

    def _nobodys(self) -> str:
        self._decoy = self._decoy or self._hasher.hash("a name that nobody has")
        return self._decoy
