"""Which shops an installation has, and the database of each."""

from __future__ import annotations

from pathlib import Path
from typing import Protocol

from service.settings import Settings
from service.store.db import Database

__all__ = ["Houses", "OneHouse"]


class Houses(Protocol):
    """Knows the shops by their words, and opens them."""

    @property
    def many(self) -> bool:
        """Whether topics and addresses name the shop."""

    def words(self) -> frozenset[str]:
        """Return the words of all shops that are open; may ask the database."""

    def open(self, word: str) -> Database:
        """Return a shop's database."""

    def settings(self, word: str) -> Settings:
        """Return a shop's settings: its data folder, and where its pages are reached."""

    def close(self) -> None:
        """Let go of every connection."""


class OneHouse:
    """The only shop, without a word."""

    many = False

    def __init__(self, settings: Settings, db: Database) -> None:
        self._settings, self._db = settings, db

    def words(self) -> frozenset[str]:
        """Return the empty word."""
        return frozenset({""})

    def open(self, word: str) -> Database:  # noqa: ARG002 -- there is but one
        """Return its database."""
        return self._db

    def settings(self, word: str) -> Settings:  # noqa: ARG002 -- there is but one
        """Return its settings."""
        return self._settings

    def close(self) -> None:
        """Let go of every connection."""
        self._db.dispose()


def shop_folder(data: Path, word: str) -> Path:
    """Return the data folder of one shop among many."""
    return data / "shops" / word
