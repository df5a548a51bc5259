"""Which shops an installation has, and the database of each."""

from __future__ import annotations

from typing import Protocol

from service.address import shop_url
from service.clock import WallClock
from service.settings import Settings
from service.store.db import Database
from service.store.sensor_keys import BrokerKey, SensorKeys
from service.store.shops import Shops
from service.store.wire import Seal

__all__ = ["Houses", "ManyHouses", "OneHouse", "keys_of_many"]


class Houses(Protocol):
    """Knows the shops by their words, and opens them."""

    @property
    def many(self) -> bool:
        """Whether topics and addresses name the shop."""

    @property
    def seal(self) -> Seal | None:
        """What seals what workers tell each other; None: nothing needs it."""

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
    seal = None

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


class ManyHouses:
    """Many shops, each reached at its word and the installation's domain."""

    many = True

    def __init__(self, settings: Settings, shops: Shops) -> None:
        self._settings, self._shops = settings, shops
        self.seal = shops.seal

    def words(self) -> frozenset[str]:
        """Return the words of all shops that are open."""
        return frozenset(shop.key for shop in self._shops.listed() if shop.closed_at is None)

    def open(self, word: str) -> Database:
        """Return a shop's database."""
        return self._shops.open(word)

    def settings(self, word: str) -> Settings:
        """Return a shop's settings: those of the installation but for folder and address."""
        own = {
            "data": self._shops.folder(word),
            "public_url": shop_url(self._settings, word),
            "backup_to": None,  # the database of all is backed up at once, by its owner
        }
        return self._settings.model_copy(update=own)

    def close(self) -> None:
        """Let go of every connection."""
        self._shops.dispose()


def keys_of_many(houses: Houses) -> list[BrokerKey]:
    """Return the keys of all shops' sensors, as the broker has to know them."""
    return [
        key
        for word in sorted(houses.words())
        for key in SensorKeys(houses.open(word), WallClock(), shop=word).for_broker()
    ]
