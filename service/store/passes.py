"""What lets into one of many shops: keyed digests under the secret of the installation."""

from __future__ import annotations

import hashlib

__all__ = ["entry_of", "mac"]


def mac(secret: bytes, message: str) -> str:
    """Return the keyed digest of a message, as the database makes it (``boothglass_shop``)."""
    inner = hashlib.sha256(secret + message.encode()).digest()
    return hashlib.sha256(secret + inner).hexdigest()


def entry_of(secret: bytes, shop_id: int) -> str:
    """Return what lets into a shop."""
    return f"{shop_id}:{mac(secret, f'shop {shop_id}')}"
