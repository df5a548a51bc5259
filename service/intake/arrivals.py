"""What the connection hands to the committer: one message, and how to acknowledge it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import NamedTuple

__all__ = ["Arrival"]


def _nothing() -> None:
    """Acknowledge nothing: QoS 0 asks for no answer."""


class Arrival(NamedTuple):
    """One message as it came.

    ``payload`` is cut short where it is larger than any payload may be; ``size_bytes`` is its full
    size. ``waited`` says that it may have waited at the broker, so that the time of receipt says
    nothing of its age.
    """

    topic: str
    payload: bytes
    size_bytes: int
    received_at: datetime
    waited: bool = False
    acknowledge: Callable[[], object] = _nothing
