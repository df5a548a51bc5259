"""What is sent, by whom, and the two ways in which it can fail."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Protocol

__all__ = ["Later", "Message", "Refused", "Sender"]


@dataclass(frozen=True)
class Message:
    """What a person is told.

    ``delivery_id`` is one and the same however often the message is sent, and travels with it, so
    that whoever receives it twice after a crash can tell.
    """

    title: str
    body: str
    url: str
    """The page that shows more."""
    ack_url: str
    """A page with one button, which also answers a POST: somebody has reacted."""
    tag: str
    """The same for the same delivery; a newer message of this tag may replace an older one."""
    kind: str
    at: datetime
    urgent: bool
    notices: tuple[int, ...]
    delivery_id: int
    more: str = "More"
    """What the link to ``url`` is called."""
    seen: str = "I have seen it"
    """What the link to ``ack_url`` is called."""

    @property
    def once(self) -> str:
        """An id that no other delivery has, of this shop or another; tells nothing of its token."""
        token = self.ack_url.rpartition("/")[2]
        return f"{self.tag}-{hashlib.sha256(token.encode()).hexdigest()[:12]}"


class Refused(Exception):  # noqa: N818 -- reads as what it says
    """Will never get through: a gone subscription, a wrong address. Not tried again."""


class Later(Exception):  # noqa: N818 -- reads as what it says
    """Did not get through now; ``wait`` is how long the other side asked to be left alone."""

    def __init__(self, reason: str, wait: timedelta | None = None) -> None:
        super().__init__(reason)
        self.wait = wait


class Sender(Protocol):
    """Sends by one kind of channel; its errors tell no secret."""

    def check(self, config: Mapping[str, Any]) -> dict[str, Any]:
        """Return a configuration as it is kept; raise ValueError ``field: reason``."""

    def send(self, config: Mapping[str, Any], message: Message) -> None:
        """Send, and return when the other side has taken it; raise Refused or Later."""
