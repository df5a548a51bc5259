"""Push to a browser: RFC 8030 (delivery), RFC 8291 (encryption), RFC 8292 (who is sending).

What a push service sees is an endpoint, a time and a size; only the browser can read the message.
The two building blocks are libraries; the request goes through :class:`Outward`, for an endpoint is
an address that somebody sent us like any other.
"""

from __future__ import annotations

import base64
import binascii
import json
from collections.abc import Mapping
from typing import Any

from service.clock import Clock, WallClock
from service.notify.channels.answers import delivered
from service.notify.channels.message import Message, Refused
from service.notify.outward import Outward
from service.notify.vapid import Vapid
from service.shop.said import say

__all__ = ["WebPush"]

MOST_BYTES = 4096
"""RFC 8030, 7.2: as much of a body every push service must take."""

OVERHEAD = 16 + 4 + 1 + 65 + 1 + 16
"""Of an ``aes128gcm`` body (RFC 8188): salt, record size, key's length, key, padding, tag."""

SHORTER = (3000, 1500, 700, 300, 0)
"""Lengths, in characters, to which a text that is too long is cut."""

DAY_S, HOUR_S = 86_400, 3600
POINT, AUTH = 65, 16


class WebPush:
    """Sends to browsers that have subscribed."""

    def __init__(self, outward: Outward, vapid: Vapid, clock: Clock | None = None) -> None:
        self._outward, self._vapid = outward, vapid
        self._clock = clock or WallClock()

    def check(self, config: Mapping[str, Any]) -> dict[str, Any]:
        """Take a subscription as browsers give it: ``endpoint`` and ``keys``."""
        try:
            endpoint = self._outward.check(config.get("endpoint"), plain=False)
        except ValueError as error:
            raise ValueError(f"endpoint: {error}") from error
        keys = config.get("keys")
        if not isinstance(keys, Mapping):
            raise ValueError("keys: " + say("must hold p256dh and auth"))  # noqa: TRY004 -- bad input
        point, auth = _bytes(keys, "p256dh", POINT), _bytes(keys, "auth", AUTH)
        from cryptography.hazmat.primitives.asymmetric import ec

        try:
            ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), point)
        except ValueError as error:
            raise ValueError("keys.p256dh: " + say("is no point of the curve P-256")) from error
        return {"endpoint": endpoint, "keys": {"p256dh": _text(point), "auth": _text(auth)}}

    def send(self, config: Mapping[str, Any], message: Message) -> None:
        """Encrypt for this browser and hand it to its push service."""
        endpoint = str(config["endpoint"])
        headers = {
            **self._vapid.headers(endpoint),
            "Content-Encoding": "aes128gcm",
            "Content-Type": "application/octet-stream",
            # Hours later nobody should hear that they must stop spraying.
            "TTL": str(HOUR_S if message.urgent else DAY_S),
            "Urgency": "high" if message.urgent else "normal",
            # A repeat takes the place of the first while the browser is away.
            "Topic": message.tag[-32:],
        }
        body = self._encrypted(config["keys"], payload(message))
        delivered(lambda: self._outward.post(endpoint, headers, body), self._clock.now())

    def _encrypted(self, keys: Mapping[str, str], content: bytes) -> bytes:
        import http_ece
        from cryptography.hazmat.primitives.asymmetric import ec

        try:
            return bytes(
                http_ece.encrypt(
                    content,
                    private_key=ec.generate_private_key(ec.SECP256R1()),
                    dh=_decoded(keys["p256dh"]),
                    auth_secret=_decoded(keys["auth"]),
                    version="aes128gcm",
                )
            )
        except (KeyError, ValueError, http_ece.ECEException) as error:
            raise Refused(say("the subscription's keys cannot be used")) from error


def payload(message: Message) -> bytes:
    """Return what the service worker is given, as JSON; a long text is cut to fit."""
    for most in (len(message.body), *SHORTER):
        cut = message.body if len(message.body) <= most else f"{message.body[:most].rstrip()} …"
        said = {
            "title": message.title[:200],
            "body": cut,
            "url": message.url,
            "ack_url": message.ack_url,
            "tag": message.tag,
            "kind": message.kind,
            "at": message.at.isoformat().replace("+00:00", "Z"),
            "urgent": message.urgent,
        }
        content = json.dumps(said, ensure_ascii=False).encode()
        if len(content) <= MOST_BYTES - OVERHEAD:
            return content
    raise Refused(say("the addresses in it are too long for a push message"))


def _bytes(keys: Mapping[str, Any], name: str, size: int) -> bytes:
    try:
        found = _decoded(str(keys.get(name, "")))
    except (binascii.Error, ValueError) as error:
        raise ValueError(f"keys.{name}: is not base64url") from error
    if len(found) != size:
        raise ValueError(f"keys.{name}: must be {size} bytes, and is {len(found)}")
    return found


def _decoded(text: str) -> bytes:
    return base64.b64decode(text + "=" * (-len(text) % 4), altchars=b"-_", validate=True)


def _text(raw: bytes) -> str:
    return base64.urlsafe_b64encode(raw).decode().rstrip("=")
