"""One shop's letter-box: what its messages are taken apart by, and where they are kept."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Protocol

from service.intake.sorter import Sorter
from service.store.db import Database
from service.store.readings import Recorded

__all__ = ["Inbox", "Inboxes", "OneInbox"]


@dataclass(frozen=True, eq=False)
class Inbox:
    """Where a shop's messages go.

    ``on_recorded`` is told after each commit that brought something new, from the committing
    thread.
    """

    db: Database
    sorter: Sorter
    on_recorded: Callable[[Recorded], None]


class Inboxes(Protocol):
    """Who knows which shop a message is for."""

    def of(self, topic: str) -> tuple[Inbox, str] | None:
        """Return the letter-box and the topic as that shop knows it; None: there is no such shop.

        An error is taken as one of the database: the message is tried again.
        """

    def waiting(self) -> Iterable[Inbox]:
        """Return those in which halves of readings wait for their other half."""


class OneInbox:
    """All messages are for one shop."""

    def __init__(self, inbox: Inbox) -> None:
        self._inbox = inbox

    def of(self, topic: str) -> tuple[Inbox, str]:
        """Return it."""
        return self._inbox, topic

    def waiting(self) -> Iterable[Inbox]:
        """Return it while something waits in it."""
        return [self._inbox] if self._inbox.sorter.waiting else []
