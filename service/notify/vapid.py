"""The key pair by which push services know this shop (VAPID, RFC 8292). Made once and kept."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import TYPE_CHECKING, Any, Protocol
from urllib.parse import urlsplit

from service.clock import Clock, WallClock

if TYPE_CHECKING:
    from py_vapid import Vapid02

# What works with keys is loaded when it is first needed: 8 MB that many shops never use.

__all__ = ["Keeper", "Vapid"]

KEY = "push_key"

VALID = timedelta(hours=12)
"""RFC 8292, section 2: at most 24 h."""

NOBODY = "mailto:nobody@boothglass.invalid"
"""Told to push services where the owner has not said how to be reached."""


class Keeper(Protocol):
    """Keeps values by name."""

    def once(self, key: str, make: Callable[[], dict[str, Any]], /) -> dict[str, Any]:
        """Return what is kept, or make and keep it."""


class Vapid:
    """Signs requests to push services.

    Parameters
    ----------
    contact : str, optional
        ``mailto:`` or ``https:`` address by which a push service may reach the owner.
    clock : Clock
        The wall's, whatever the shop's time: the service compares it with its own.
    """

    def __init__(
        self, facts: Keeper, contact: str | None = None, clock: Clock | None = None
    ) -> None:
        self._facts, self._contact = facts, contact or NOBODY
        self._clock = clock or WallClock()

    def public_key(self) -> str:
        """Return what a browser subscribes with: the point of the public key, base64url."""
        from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat
        from py_vapid.utils import b64urlencode

        public = self._signer().public_key
        return str(b64urlencode(public.public_bytes(Encoding.X962, PublicFormat.UncompressedPoint)))

    def headers(self, endpoint: str) -> dict[str, str]:
        """Return the header that proves to an endpoint's service who is sending."""
        parts = urlsplit(endpoint)
        claims = {
            "aud": f"{parts.scheme}://{parts.netloc}",
            "exp": int((self._clock.now() + VALID).timestamp()),
            "sub": self._contact,
        }
        return {str(k): str(v) for k, v in self._signer().sign(claims).items()}

    def _signer(self) -> Vapid02:
        from py_vapid import Vapid02

        kept = self._facts.once(KEY, _made)
        return Vapid02.from_raw(str(kept["private"]).encode())


def _made() -> dict[str, Any]:
    from cryptography.hazmat.primitives.asymmetric import ec
    from py_vapid.utils import b64urlencode

    private = ec.generate_private_key(ec.SECP256R1())
    return {"private": b64urlencode(private.private_numbers().private_value.to_bytes(32, "big"))}
