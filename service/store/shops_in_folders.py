"""Shops with a folder and a SQLite file each, and who adds and closes them."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path

from service.clock import Clock
from service.store.db import Database, DatabaseError, sqlite_url
from service.store.registry import ListedShop, checked_key
from service.store.shops import FOLDER, Shops
from service.store.snapshot import upgrade

__all__ = ["FolderRegistry", "ShopsInFolders"]

CARD = "shop.json"
"""File in a shop's folder that says what is known of it."""


class ShopsInFolders(Shops):
    """Shops with a folder and a SQLite file each."""

    def listed(self) -> tuple[ListedShop, ...]:
        """Return every shop, also those that are closed."""
        found = [_read(card) for card in (self._data / FOLDER).glob(f"*/{CARD}")]
        return tuple(sorted(found, key=lambda shop: shop.id))

    def _make(self, shop: ListedShop) -> Database:
        return Database(sqlite_url(self.folder(shop.key)))


class FolderRegistry:
    """Adds and closes shops that have a folder each; the counterpart of ``registry.Registry``."""

    def __init__(self, data: Path, clock: Clock) -> None:
        self._shops, self._clock = ShopsInFolders(data), clock

    def upgrade(self) -> None:
        """Bring the tables of every shop up to this version; raises DatabaseError."""
        for shop in self.listed():
            upgrade(sqlite_url(self._shops.folder(shop.key)))

    def listed(self) -> tuple[ListedShop, ...]:
        """Return every shop."""
        return self._shops.listed()

    def add(self, key: str, name: str) -> ListedShop:
        """Add a shop with its tables; raises DatabaseError where its key is taken."""
        checked_key(key)
        there = self.listed()
        if any(shop.key == key for shop in there):
            raise DatabaseError(f"there is a shop {key} already")
        folder = self._shops.folder(key)
        upgrade(sqlite_url(folder))
        shop_id = max((shop.id for shop in there), default=0) + 1
        shop = ListedShop(shop_id, key, name, self._clock.now(), None)
        _write(folder / CARD, shop)
        return shop

    def close(self, key: str) -> None:
        """Let nobody open a shop any more; what it holds is kept."""
        self._change(key, self._clock.now())

    def reopen(self, key: str) -> None:
        """Let a shop be opened again."""
        self._change(key, None)

    def _change(self, key: str, closed_at: datetime | None) -> None:
        found = next((shop for shop in self.listed() if shop.key == key), None)
        if found is None:
            raise DatabaseError(f"there is no shop {key}")
        shop = ListedShop(found.id, found.key, found.name, found.made_at, closed_at)
        _write(self._shops.folder(key) / CARD, shop)


def _read(card: Path) -> ListedShop:
    try:
        told = json.loads(card.read_text(encoding="utf-8"))
        closed = told["closed_at"]
        return ListedShop(
            int(told["id"]),
            card.parent.name,
            str(told["name"]),
            datetime.fromisoformat(told["made_at"]),
            None if closed is None else datetime.fromisoformat(closed),
        )
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise DatabaseError(f"{card} cannot be used: {error}") from error


def _write(card: Path, shop: ListedShop) -> None:
    closed = None if shop.closed_at is None else shop.closed_at.isoformat()
    told = {"id": shop.id, "name": shop.name, "made_at": shop.made_at.isoformat()}
    part = card.with_name(f"{CARD}.part")
    part.write_text(json.dumps(told | {"closed_at": closed}, indent=1), encoding="utf-8")
    part.replace(card)
