"""Many shops in one process: in one PostgreSQL database, or a folder each with its SQLite file.

Whoever hosts them asks for a shop by its key and gets its :class:`Database`, which is used as that
of a shop alone. On PostgreSQL all shops share one pool of connections: each transaction enters its
shop until it ends, and a connection that is given back forgets whatever it was told.
"""

from __future__ import annotations

import json
import threading
from datetime import datetime
from pathlib import Path
from typing import Any, Protocol

from sqlalchemy import Connection, event, text
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.pool import PoolResetState

from service.clock import Clock
from service.store.db import (
    Database,
    DatabaseError,
    Hosted,
    database_url,
    make_engine,
    sqlite_url,
    unopened,
)
from service.store.hosts import weaknesses
from service.store.passes import entry_of, mac
from service.store.registry import SHOP, ListedShop, checked_key, listed_shop
from service.store.wire import Seal

__all__ = [
    "FOLDER",
    "FolderRegistry",
    "Shops",
    "ShopsInFolders",
    "ShopsOnServer",
    "database_of",
    "shops_of",
]

FOLDER = "shops"
"""Where the folders of the shops lie in a host's data folder, each under its key."""

CARD = "shop.json"

CONNECTIONS = 20
"""As many to a server are kept open for all shops together; twice as many may be for a while."""


class Shops(Protocol):
    """What a host asks of its shops. Every method raises DatabaseError where that cannot be."""

    @property
    def seal(self) -> Seal | None:
        """What seals what processes of the host tell each other by way of the database."""

    def listed(self) -> tuple[ListedShop, ...]:
        """Return every shop, also those that are closed."""

    def open(self, key: str) -> Database:
        """Return the database of a shop that is open; asked again, it is the same one."""

    def folder(self, key: str) -> Path:
        """Return the data folder of a shop; it is made where it is not there."""

    def dispose(self) -> None:
        """Close every connection of every shop."""


def shops_of(data: Path, url: str | None, secret: str | None) -> Shops:
    """Return the shops of a host: those of its PostgreSQL database, else those in its folder.

    Parameters
    ----------
    data : Path
        The host's data folder.
    url, secret : str, optional
        Address of the database, with the role that hosts, and ``BOOTHGLASS_SHOPS_SECRET``.
    """
    return ShopsInFolders(data) if url is None else ShopsOnServer(url, secret, data)


def database_of(data: Path, url: str | None, shop: str | None, secret: str | None) -> Database:
    """Return the database of one shop: of that key among many on a server, else the only one.

    ``data`` is the shop's own data folder.
    """
    if url is None or shop is None:
        return Database(database_url(data, url))
    return ShopsOnServer(url, secret, data).alone(shop)


class ShopsOnServer:
    """The shops of a PostgreSQL database, for a role that hosts them.

    Raises
    ------
    DatabaseError
        Where the database cannot be used, the secret is not its own, or the role could reach rows
        of a shop without entering it.
    """

    def __init__(self, url: str, secret: str | None, data: Path) -> None:
        self._url, self._data = url, data
        self._secret = _key_of(secret)
        self.seal = Seal(self._secret)
        # Errors name no parameters: what lets into a shop is one.
        self._engine = make_engine(
            url,
            pool_size=CONNECTIONS,
            max_overflow=CONNECTIONS,
            hide_parameters=True,
            # The driver would prepare what it sees often, and not know that it was discarded.
            connect_args={"prepare_threshold": None},
        )
        event.listen(self._engine, "reset", _forget)
        self._lock = threading.Lock()
        self._open: dict[int, Database] = {}
        try:
            self._see_that_role_is_bound()
        except BaseException:
            self._engine.dispose()
            raise

    def listed(self) -> tuple[ListedShop, ...]:
        """Return every shop, also those that are closed."""
        asked = text("SELECT * FROM boothglass_shops(:shown)").columns(*SHOP.c)
        try:
            with self._looking() as connection:
                found = connection.execute(asked, {"shown": mac(self._secret, "shops")})
                shops = tuple(listed_shop(row) for row in found)
        except SQLAlchemyError as error:
            raise unopened(self._url, error) from error
        if not shops:
            raise DatabaseError("BOOTHGLASS_SHOPS_SECRET is not that of the database")
        return shops

    def open(self, key: str) -> Database:
        """Return the database of a shop that is open; asked again, it is the same one."""
        shop = self._found(key)
        with self._lock:
            if shop.id not in self._open:
                entry = entry_of(self._secret, shop.id)
                self._open[shop.id] = Database(
                    self._url, hosted=Hosted(self._engine, entry, seal=self.seal)
                )
            return self._open[shop.id]

    def alone(self, key: str) -> Database:
        """Return the database of a shop, which takes this one's connections along when it ends."""
        try:
            entry = entry_of(self._secret, self._found(key).id)
        except BaseException:
            self._engine.dispose()
            raise
        return Database(self._url, hosted=Hosted(self._engine, entry, seal=self.seal, shared=False))

    def folder(self, key: str) -> Path:
        """Return the data folder of a shop; it is made where it is not there."""
        return _made(self._data / FOLDER / checked_key(key))

    def dispose(self) -> None:
        """Close every connection of every shop."""
        with self._lock:
            for database in self._open.values():
                database.dispose()
            self._open.clear()
        self._engine.dispose()

    def _found(self, key: str) -> ListedShop:
        return _open_one(self.listed(), key)

    def _looking(self) -> Connection:
        return self._engine.connect().execution_options(boothglass_reads=True)

    def _see_that_role_is_bound(self) -> None:
        try:
            with self._looking() as connection:
                role = str(connection.execute(text("SELECT current_user")).scalar_one())
                weak = weaknesses(connection, role)
        except SQLAlchemyError as error:
            raise unopened(self._url, error) from error
        if weak:
            raise DatabaseError(f"the role {role} cannot host shops: {'; '.join(weak)}")


class ShopsInFolders:
    """Shops with a folder and a SQLite file each."""

    seal = None

    def __init__(self, data: Path) -> None:
        self._data = data
        self._lock = threading.Lock()
        self._open: dict[str, Database] = {}

    def listed(self) -> tuple[ListedShop, ...]:
        """Return every shop, also those that are closed."""
        found = [_read(card) for card in (self._data / FOLDER).glob(f"*/{CARD}")]
        return tuple(sorted(found, key=lambda shop: shop.id))

    def open(self, key: str) -> Database:
        """Return the database of a shop that is open; asked again, it is the same one."""
        _open_one(self.listed(), key)
        with self._lock:
            if key not in self._open:
                self._open[key] = Database(sqlite_url(self.folder(key)))
            return self._open[key]

    def folder(self, key: str) -> Path:
        """Return the data folder of a shop; it is made where it is not there."""
        return _made(self._data / FOLDER / checked_key(key))

    def dispose(self) -> None:
        """Close every connection of every shop."""
        with self._lock:
            for database in self._open.values():
                database.dispose()
            self._open.clear()


class FolderRegistry:
    """Adds and closes shops that have a folder each; the counterpart of ``registry.Registry``."""

    def __init__(self, data: Path, clock: Clock) -> None:
        self._shops, self._clock = ShopsInFolders(data), clock

    def upgrade(self) -> None:
        """Bring the tables of every shop up to this version; raises DatabaseError."""
        for shop in self.listed():
            database = Database(sqlite_url(self._shops.folder(shop.key)))
            try:
                database.upgrade()
            finally:
                database.dispose()

    def listed(self) -> tuple[ListedShop, ...]:
        """Return every shop."""
        return self._shops.listed()

    def add(self, key: str, name: str) -> ListedShop:
        """Add a shop with its tables; raises DatabaseError where its key is taken."""
        there = self.listed()
        if any(shop.key == checked_key(key) for shop in there):
            raise DatabaseError(f"there is a shop {key} already")
        folder = self._shops.folder(key)
        database = Database(sqlite_url(folder))
        try:
            database.upgrade()
        finally:
            database.dispose()
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


def _open_one(listed: tuple[ListedShop, ...], key: str) -> ListedShop:
    found = next((shop for shop in listed if shop.key == key), None)
    if found is None:
        raise DatabaseError(f"there is no shop {key}")
    if found.closed_at is not None:
        raise DatabaseError(f"the shop {key} was closed on {found.closed_at:%Y-%m-%d}")
    return found


def _key_of(secret: str | None) -> bytes:
    try:
        return bytes.fromhex(secret or "")
    except ValueError as error:
        raise DatabaseError("BOOTHGLASS_SHOPS_SECRET: expected hexadecimal digits") from error


def _forget(connection: Any, _record: Any, state: PoolResetState) -> None:
    """Let a connection that is given back forget settings, tables and statements of its session."""
    if state.terminate_only:
        return
    connection.rollback()
    connection.autocommit = True  # it cannot be done within a transaction
    connection.execute("DISCARD ALL")
    connection.autocommit = False


def _made(folder: Path) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    return folder


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
