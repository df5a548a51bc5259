"""A book of notices, people and an outbox over a real database, and what to do with them."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from equipment import SetClock
from sqlmodel import col, select

from service.store.answering import answer
from service.store.db import Database
from service.store.outbox import Claimed, Outbox
from service.store.people_book import PeopleBook
from service.store.tables import Delivery, Notice


class Kit:
    """One shop that tells people things."""

    def __init__(self, database: Database, clock: SetClock) -> None:
        self.db, self.clock = database, clock
        self.people = PeopleBook(database, clock)
        self.outbox = Outbox(database, clock, lambda: UTC)
        self._number = 0

    def person(self, name: str, *ways: str, **telling: Any) -> tuple[int, list[int]]:
        """Add a person with a channel for each turn in ``ways``."""
        person = int(self.people.add(name).id or 0)
        channels = [
            int(
                self.people.add_channel(person, "webhook", f"way {n}", {"url": f"{name}-{n}"}).id
                or 0
            )
            for n in range(len(ways))
        ]
        turns = {str(c): {"turn": turn} for c, turn in zip(channels, ways, strict=True)}
        self.people.change(person, telling={"ways": turns, **telling})
        return person, channels

    def notice(self, kind: str = "sand-ready", at: datetime | None = None) -> int:
        """Write a notice as the book of notices does."""
        self._number += 1
        with self.db.write() as session:
            row = Notice(
                key=f"{kind}:{self._number}",
                kind=kind,
                at=at or self.clock.now(),
                text=f"No. {40 + self._number}",
                data={},
            )
            session.add(row)
            session.flush()
            return int(row.id or 0)

    def see(self, notice: int) -> None:
        """Mark a notice as seen on the pages."""
        with self.db.write() as session:
            answer(session, [notice], self.clock.now())

    def send_all(self) -> list[Claimed]:
        """Tell, and send all that is due; every channel works."""
        self.outbox.tell()
        out = []
        while (claimed := self.outbox.claim()) is not None:
            self.outbox.sent(claimed.id)
            out.append(claimed)
        return out

    def rows(self) -> list[Delivery]:
        with self.db.read() as session:
            return list(session.exec(select(Delivery).order_by(col(Delivery.id))).all())

    def states(self) -> list[tuple[int, str]]:
        """Channel and state of each delivery."""
        return [(row.channel_id, row.state) for row in self.rows()]
