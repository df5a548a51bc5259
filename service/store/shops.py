"""Many shops in one process: each is opened by its key, and used as one that is alone.

Whoever hosts them asks :class:`Shops` and need not care whether they share a PostgreSQL database
(:mod:`~service.store.shops_on_server`) or lie in folders (:mod:`~service.store.shops_in_folders`).
"""

from __future__ import annotations

import threading
from abc import ABC, abstractmethod
from pathlib import Path

from service.store.db import Database, DatabaseError
from service.store.registry import ListedShop, checked_key
from service.store.wire import Seal

__all__ = ["FOLDER", "Shops"]

FOLDER = "shops"
"""Where the folders of the shops lie in a host's data folder, each under its key."""


class Shops(ABC):
    """The shops of a host. Every method raises DatabaseError where that cannot be.

    Parameters
    ----------
    data : Path
        The host's data folder.
    """

    seal: Seal | None = None
    """What seals what processes of the host tell each other by way of the database."""

    def __init__(self, data: Path) -> None:
        self._data = data
        self._lock = threading.Lock()
        self._open: dict[int, Database] = {}

    @abstractmethod
    def listed(self) -> tuple[ListedShop, ...]:
        """Return every shop, also those that are closed."""

    def open(self, key: str) -> Database:
        """Return the database of a shop that is open; asked again, it is the same one."""
        shop = self._found(key)
        with self._lock:
            if shop.id not in self._open:
                self._open[shop.id] = self._make(shop)
            return self._open[shop.id]

    def folder(self, key: str) -> Path:
        """Return the data folder of a shop; it is made where it is not there."""
        folder = self._data / FOLDER / checked_key(key)
        folder.mkdir(parents=True, exist_ok=True)
        return folder

    def dispose(self) -> None:
        """Close every connection of every shop."""
        with self._lock:
            for database in self._open.values():
                database.dispose()
            self._open.clear()

    @abstractmethod
    def _make(self, shop: ListedShop) -> Database:
        """Make the database of a shop."""

    def _found(self, key: str) -> ListedShop:
        found = next((shop for shop in self.listed() if shop.key == key), None)
        if found is None:
            raise DatabaseError(f"there is no shop {key}")
        if found.closed_at is not None:
            raise DatabaseError(f"the shop {key} was closed on {found.closed_at:%Y-%m-%d}")
        return found
