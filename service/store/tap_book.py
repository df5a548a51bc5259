"""Taps by their keys: one that is sent again is answered as at first, and nothing is done twice.

A phone that got no answer cannot know whether its tap was recorded, so it sends the tap again. What
the tap did and its key are committed together: there is no moment in which one is kept without the
other.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import datetime, timedelta

from sqlmodel import col, delete

from service.clock import Clock
from service.shop.said import say
from service.store.db import Database
from service.store.errors import BadInput, Conflict
from service.store.tables import Tap

__all__ = ["LONGEST_WAIT", "TapBook"]

LONGEST_WAIT = timedelta(days=7)
"""How long after it was made a tap may still be recorded by itself."""

KEPT = timedelta(days=30)
"""How long an answer is remembered: well beyond the wait, after which a repeat is refused."""

AHEAD = timedelta(minutes=2)
"""By how much a phone's idea of the shop's time may run ahead; such a tap was made just now."""

KEY = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}")


class TapBook:
    """Knows which taps were recorded, and what was answered."""

    def __init__(self, db: Database, clock: Clock) -> None:
        self.db, self.clock = db, clock

    def answer(self, key: str, act: str) -> str | None:
        """Return where the first answer to a tap led; None where it was not recorded yet.

        Raises
        ------
        BadInput
            Naming ``tap`` where the key is no UUID in small letters.
        Conflict
            Where the key was given to another act.
        """
        if not KEY.fullmatch(key):
            raise BadInput("tap", say("is no key of a tap (a UUID in small letters)"))
        with self.db.read() as session:
            row = session.get(Tap, key)
        if row is None:
            return None
        if row.act != act:
            raise Conflict("tap", say("this key belongs to a tap on {act}", act=row.act))
        return row.answer

    def record(self, key: str, act: str, do: Callable[[], str]) -> str:
        """Do what was tapped and keep its answer with it: both, or neither.

        ``do`` writes by this thread's ``Database.write`` and returns where its answer leads.
        """
        now = self.clock.now()
        with self.db.together() as session:
            answer = do()
            session.exec(delete(Tap).where(col(Tap.at) < now - KEPT))
            session.add(Tap(key=key, act=act, at=now, answer=answer))
        return answer

    def made_at(self, said: datetime) -> datetime:
        """Return when a tap was made, as its phone says, if that can be.

        Raises
        ------
        BadInput
            Naming ``tapped_at`` where it lies ahead of the shop's time or too far back.
        """
        now = self.clock.now()
        if said.tzinfo is None:
            raise BadInput("tapped_at", say("needs a time zone: add Z or an offset such as +01:00"))
        if said > now + AHEAD:
            raise BadInput(
                "tapped_at", say("lies ahead of the shop's time: record it with its time by hand")
            )
        if said < now - LONGEST_WAIT:
            raise BadInput(
                "tapped_at",
                say(
                    "is over {days} days ago: record it with its time by hand",
                    days=LONGEST_WAIT.days,
                ),
            )
        return min(said, now)
