"""Ways to reach a person: each sender takes a channel's configuration and a message."""

from __future__ import annotations

from service.notify.channels.making import make_senders
from service.notify.channels.message import Later, Message, Refused, Sender

__all__ = ["Later", "Message", "Refused", "Sender", "make_senders"]
