"""MQTT: a person's messages under a topic of their own, on the shop's broker."""

from __future__ import annotations

import json
import re
import secrets
from collections.abc import Callable, Mapping
from typing import Any

from service.notify.channels.message import Later, Message
from service.notify.channels.webhook import payload

__all__ = ["ROOT", "Mqtt"]

ROOT = "boothglass/people/"
"""Every such topic begins so: nothing that is sent here can pass for a reading or a command."""


class Mqtt:
    """Publishes at QoS 1; ``publish`` returns whether the broker has taken it."""

    def __init__(self, publish: Callable[[str, str], bool]) -> None:
        self._publish = publish

    def check(self, config: Mapping[str, Any]) -> dict[str, Any]:
        """Take ``topic``, or make one that nobody else has."""
        topic = str(config.get("topic") or "").strip() or f"{secrets.token_hex(4)}/notices"
        rest = topic.removeprefix(ROOT)
        if not re.fullmatch(r"[\w.-]+(/[\w.-]+)*", rest) or len(rest) > 100:
            raise ValueError(f"topic: must be {ROOT} and letters, digits, dots, dashes and slashes")
        return {"topic": ROOT + rest}

    def send(self, config: Mapping[str, Any], message: Message) -> None:
        """Publish; a listener that must not hear twice keeps the ids it heard."""
        said = {"id": message.once, **payload(message)}
        if not self._publish(str(config["topic"]), json.dumps(said, ensure_ascii=False)):
            raise Later("the broker has not taken it")
