"""The shops of one PostgreSQL database, over one pool of connections.

Each transaction enters its shop until it ends, and a connection that is given back forgets whatever
it was told.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from sqlalchemy import Connection, event, text
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.pool import PoolResetState

from service.store.db import Database, DatabaseError, Hosted, make_engine, unopened
from service.store.hosts import weaknesses
from service.store.passes import entry_of, mac
from service.store.registry import SHOP, ListedShop, listed_shop
from service.store.shops import Shops
from service.store.wire import Seal

__all__ = ["ShopsOnServer"]

CONNECTIONS = 20
"""As many to a server are kept open for all shops together; twice as many may be for a while."""


class ShopsOnServer(Shops):
    """The shops of a PostgreSQL database, for a role that hosts them.

    Raises
    ------
    DatabaseError
        Where the database cannot be used, the secret is not its own, or the role could reach rows
        of a shop without entering it.
    """

    def __init__(self, url: str, secret: str | None, data: Path) -> None:
        super().__init__(data)
        self._url = url
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

    def alone(self, key: str) -> Database:
        """Return the database of a shop, which takes this one's connections along when it ends."""
        try:
            return self._make(self._found(key), shared=False)
        except BaseException:
            self._engine.dispose()
            raise

    def dispose(self) -> None:
        """Close every connection of every shop."""
        super().dispose()
        self._engine.dispose()

    def _make(self, shop: ListedShop, *, shared: bool = True) -> Database:
        entry = entry_of(self._secret, shop.id)
        return Database(self._url, hosted=Hosted(self._engine, entry, shared, self.seal))

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
