"""What the shop remembers of itself by name: keys, tokens, and what was last published."""

from __future__ import annotations

from collections.abc import Callable
from copy import deepcopy
from typing import Any

from sqlmodel import Session

from service.store.db import Database
from service.store.memo import kept
from service.store.tables import Fact

__all__ = ["Facts", "put_in", "value_in"]


class Facts:
    """Values by name; whoever asks decides what in them is secret."""

    def __init__(self, db: Database) -> None:
        self.db = db

    def get(self, key: str) -> dict[str, Any] | None:
        """Return what is kept under a name."""
        with self.db.read() as session:
            found = kept(session, ("fact", key), lambda: value_in(session, key))
            return None if found is None else deepcopy(found)

    def put(self, key: str, value: dict[str, Any]) -> None:
        """Keep a value in place of what was there."""
        with self.db.write() as session:
            put_in(session, key, value)

    def once(self, key: str, make: Callable[[], dict[str, Any]]) -> dict[str, Any]:
        """Return what is kept, or make and keep it; whoever is first is right for all."""
        found = self.get(key)
        return self.update(key, lambda there: there or make()) if found is None else found

    def update(
        self, key: str, change: Callable[[dict[str, Any] | None], dict[str, Any]]
    ) -> dict[str, Any]:
        """Change what is kept, from what it is, with nobody in between; return it."""
        with self.db.write() as session:
            there = value_in(session, key)
            value = change(there)
            if value != there:
                put_in(session, key, value)
            return value


def value_in(session: Session, key: str) -> dict[str, Any] | None:
    """Return what is kept under a name, within a transaction under way; None: nothing."""
    fact = session.get(Fact, key)
    return None if fact is None else dict(fact.value)


def put_in(session: Session, key: str, value: dict[str, Any]) -> None:
    """Keep a value in place of what was there, within a transaction under way."""
    fact = session.get(Fact, key) or Fact(key=key)
    fact.value = value
    session.add(fact)
