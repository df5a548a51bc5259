"""Secrets that are made here: shown once, kept as a digest."""

from __future__ import annotations

import hashlib
import secrets

__all__ = ["digest", "new_secret"]


def new_secret() -> str:
    """Return 256 random bits as 43 letters and digits that an address may carry."""
    return secrets.token_urlsafe(32)


def digest(secret: str) -> str:
    """Return the SHA-256 of a secret, in hexadecimal.

    A plain hash is enough for 256 random bits; what a person thought of needs a slow one.
    """
    return hashlib.sha256(secret.encode("utf-8", "replace")).hexdigest()
