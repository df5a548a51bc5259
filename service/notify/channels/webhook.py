"""Webhook: each message as JSON to an address of one's own, signed.

By the open Standard Webhooks specification: HMAC-SHA256 over id, time and body, with a secret that
both sides hold.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import hmac
import json
import secrets
from collections.abc import Mapping
from typing import Any

from service.clock import Clock, WallClock
from service.notify.channels.answers import delivered
from service.notify.channels.message import Message
from service.notify.outward import Outward
from service.shop.said import say

__all__ = ["Webhook", "signature"]

PREFIX = "whsec_"
SHORTEST, LONGEST = 24, 64
"""Bytes of a secret, by the scheme."""


class Webhook:
    """Posts to an address that the owner of a channel has typed in."""

    def __init__(self, outward: Outward, clock: Clock | None = None) -> None:
        self._outward = outward
        self._clock = clock or WallClock()

    def check(self, config: Mapping[str, Any]) -> dict[str, Any]:
        """Take ``url`` and ``secret``, which the receiver must be told, too."""
        try:
            url = self._outward.check(config.get("url"))
        except ValueError as error:
            raise ValueError(f"url: {error}") from error
        secret = str(config.get("secret") or "").strip()
        if not secret:
            raise ValueError(
                "secret: "
                + say("is needed, here and at the receiver; a new one: {value}", value=_made())
            )
        _key(secret)
        return {"url": url, "secret": secret}

    def send(self, config: Mapping[str, Any], message: Message) -> None:
        """Post, signed for this moment."""
        now = self._clock.now()
        body = json.dumps(payload(message), ensure_ascii=False).encode()
        sent_at = str(int(now.timestamp()))
        headers = {
            "Content-Type": "application/json",
            "webhook-id": message.once,
            "webhook-timestamp": sent_at,
            "webhook-signature": signature(str(config["secret"]), message.once, sent_at, body),
        }
        delivered(lambda: self._outward.post(str(config["url"]), headers, body), now)


def payload(message: Message) -> dict[str, Any]:
    """Return what is posted."""
    return {
        "type": f"notice.{message.kind}",
        "timestamp": message.at.isoformat().replace("+00:00", "Z"),
        "data": {
            "delivery": message.delivery_id,
            "notices": list(message.notices),
            "kind": message.kind,
            "title": message.title,
            "body": message.body,
            "url": message.url,
            "ack_url": message.ack_url,
            "urgent": message.urgent,
        },
    }


def signature(secret: str, message_id: str, sent_at: str, body: bytes) -> str:
    """Return the header by which the receiver knows that we sent this, and when (seconds)."""
    signed = b".".join((message_id.encode(), sent_at.encode(), body))
    digest = hmac.new(_key(secret), signed, hashlib.sha256).digest()
    return f"v1,{base64.b64encode(digest).decode()}"


def _made() -> str:
    return PREFIX + base64.b64encode(secrets.token_bytes(32)).decode()


def _key(secret: str) -> bytes:
    try:
        key = base64.b64decode(secret.removeprefix(PREFIX), validate=True)
    except (binascii.Error, ValueError) as error:
        raise ValueError(
            "secret: " + say("must be base64, usually after {prefix}", prefix=PREFIX)
        ) from error
    if not SHORTEST <= len(key) <= LONGEST:
        raise ValueError(
            "secret: "
            + say(
                "must be {shortest} to {longest} bytes in base64",
                shortest=SHORTEST,
                longest=LONGEST,
            )
        )
    return key
