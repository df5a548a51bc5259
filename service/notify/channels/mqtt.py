"""MQTT: a person's messages under a topic of their own, on the shop's broker."""

from __future__ import annotations

import json
import re
import secrets
from collections.abc import Callable, Mapping
from typing import Any

from service.notify.channels.message import Later, Message
from service.notify.channels.webhook import payload
from service.shop.said import say

__all__ = ["Mqtt"]

ROOT, LAST = "boothglass/people/", "/notices"
"""Every such topic is of four words: nothing that is sent here can pass for a reading, of three."""


class Mqtt:
    """Publishes at QoS 1; ``publish`` returns whether the broker has taken it."""

    def __init__(self, publish: Callable[[str, str], bool]) -> None:
        self._publish = publish

    def check(self, config: Mapping[str, Any]) -> dict[str, Any]:
        """Take ``topic``: the word in the middle that says whose it is; or make one."""
        said = str(config.get("topic") or "").strip() or secrets.token_hex(4)
        word = said.removeprefix(ROOT).removesuffix(LAST)
        if not re.fullmatch(r"[\w.-]{1,64}", word):
            raise ValueError(
                "topic: "
                + say(
                    "must be one word of letters, digits, dots and dashes: messages go to "
                    "{root}<word>{last}",
                    root=ROOT,
                    last=LAST,
                )
            )
        return {"topic": f"{ROOT}{word}{LAST}"}

    def send(self, config: Mapping[str, Any], message: Message) -> None:
        """Publish; a listener that must not hear twice keeps the ids it heard."""
        said = {"id": message.once, **payload(message)}
        if not self._publish(str(config["topic"]), json.dumps(said, ensure_ascii=False)):
            raise Later(say("the broker has not taken it"))
