"""The senders that this shop's settings allow."""

from __future__ import annotations

from collections.abc import Callable

from service.notify.channels.message import Sender
from service.settings import Settings
from service.store.facts import Facts

__all__ = ["make_senders"]


def make_senders(
    settings: Settings,
    facts: Facts,
    publish: Callable[[str, str], bool],
) -> dict[str, Sender]:
    """Return a sender for each kind of channel that can be used here.

    Parameters
    ----------
    facts : Facts
        Keeps the key pair by which push services know this shop.
    publish : callable
        Publishes a text under a topic and returns whether the broker has taken it.
    """
    del settings, facts, publish
    return {}
