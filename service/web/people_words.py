"""Words for people and channels, and what may be shown of an address."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from urllib.parse import urlsplit

__all__ = ["CHANNEL_KINDS", "DELIVERY_STATES", "FORMS", "HOW_TOLD", "TURNS", "shown_address"]

CHANNEL_KINDS = {
    "webpush": "Push to a browser",
    "email": "E-mail",
    "webhook": "Webhook",
    "apprise": "Another service",
    "mqtt": "MQTT",
}

FORMS: dict[str, tuple[tuple[str, str, str, str], ...]] = {
    "email": (("to", "Address", "email", ""),),
    "webhook": (
        ("url", "URL", "url", "receives each message as JSON"),
        ("secret", "Secret", "text", "signs each message; the other side needs it"),
    ),
    "apprise": (("url", "URL", "text", "as the Apprise library writes it"),),
    "mqtt": (("topic", "Topic", "text", "below boothglass/people/; empty: one is made"),),
}
"""Fields that are typed in for a kind of channel: name, label, type, hint."""

TURNS = {"first": "At once", "later": "Only if nobody reacts", "off": "Not now"}

HOW_TOLD = {
    "off": "Not told",
    "on": "Told",
    "on-ask": "Told, and ask on",
    "night": "Told even in quiet hours",
    "night-ask": "Even in quiet hours, and ask on",
}

DELIVERY_STATES = {
    "waiting": "Waiting",
    "sent": "Sent",
    "given_up": "Given up",
    "acknowledged": "Answered",
}


def shown_address(kind: str, config: Mapping[str, Any]) -> str:
    """Return as much of an address as helps to know it again, and nothing that opens anything."""
    if kind == "email":
        return str(config.get("to", ""))
    if kind == "mqtt":
        return str(config.get("topic", ""))
    parts = urlsplit(str(config.get("url") or config.get("endpoint") or ""))
    if kind == "apprise":
        # There the host may be the secret itself.
        return f"{parts.scheme}://…" if parts.scheme else ""
    return f"{parts.scheme}://{parts.hostname}/…" if parts.hostname else ""
