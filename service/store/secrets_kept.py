"""Secrets of sensors: made here, shown once, kept as Mosquitto keeps them.

``$7$<rounds>$<salt>$<digest>``, salt and digest in base64: PBKDF2 (RFC 8018) with HMAC-SHA-512. One
form serves both brokers, so a password file can be written without knowing a single password.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import secrets

from service.store.secrets_hashed import digest

__all__ = ["CODE_LETTERS", "CODE_LONG", "code_digest", "fits", "hashed", "new_code", "new_secret"]

ROUNDS = 1000
"""The secrets are 144 random bits: nobody guesses one, however cheap a guess is. More rounds would
only slow a small board down at each connection."""

ROUNDS_MOST = 1_000_000
SALT_BYTES, DIGEST_BYTES = 12, 64
SECRET_BYTES = 18

CODE_LETTERS = "23456789ABCDEFGHJKMNPQRSTVWXYZ"
"""Without 0, 1, I, L, O and U, which are read as one another or spell words."""

CODE_LONG = 8


def new_secret() -> str:
    """Return a secret of 144 random bits, in letters that need no quoting in addresses."""
    return secrets.token_urlsafe(SECRET_BYTES)


def new_code() -> str:
    """Return a code that a person can read out and type: 39 bits, good for minutes only."""
    return "".join(secrets.choice(CODE_LETTERS) for _ in range(CODE_LONG))


def code_digest(code: str) -> str:
    """Return what is kept of a code: SHA-256 of its letters, hyphens and spaces left out."""
    plain = "".join(letter for letter in code.upper() if letter.isalnum())
    return digest(plain)


def hashed(secret: str, *, rounds: int = ROUNDS, salt: bytes | None = None) -> str:
    """Return what is kept of a secret."""
    salt = secrets.token_bytes(SALT_BYTES) if salt is None else salt
    made = hashlib.pbkdf2_hmac("sha512", secret.encode(), salt, rounds, DIGEST_BYTES)
    return f"$7${rounds}${base64.b64encode(salt).decode()}${base64.b64encode(made).decode()}"


def fits(secret: str, kept: str) -> bool:
    """Whether a secret is the one that was kept; False for anything that cannot be compared."""
    try:
        nothing, kind, rounds, salt, made = kept.split("$")
        count, expected = int(rounds), base64.b64decode(made, validate=True)
        plain_salt = base64.b64decode(salt, validate=True)
    except (ValueError, binascii.Error):
        return False
    if nothing or kind != "7" or not 1 <= count <= ROUNDS_MOST or len(expected) != DIGEST_BYTES:
        return False
    found = hashlib.pbkdf2_hmac("sha512", secret.encode(), plain_salt, count, DIGEST_BYTES)
    return hmac.compare_digest(found, expected)
