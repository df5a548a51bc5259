"""Who the shops of one PostgreSQL database are, and who hosts them: for the owner of its tables.

A shop is entered by its number and a pass, a keyed digest of that number. The key lies in a table
that the owner alone reads, and with whoever hosts the shops (``BOOTHGLASS_SHOPS_SECRET``). So not
even a statement smuggled into one shop's session gets it into another: it cannot make the pass.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import (
    Column,
    Connection,
    ForeignKey,
    Integer,
    LargeBinary,
    MetaData,
    Row,
    String,
    Table,
    UniqueConstraint,
    insert,
    inspect,
    select,
    text,
    update,
)
from sqlalchemy.exc import SQLAlchemyError
from sqlmodel import SQLModel

from service.clock import Clock
from service.store import hosts
from service.store.db import Database, DatabaseError, remade, unopened
from service.store.per_shop import SHOP_ID
from service.store.types import UtcMillis

__all__ = [
    "REGISTRY",
    "SHOP",
    "ListedShop",
    "Registry",
    "checked_key",
    "listed_shop",
]

REGISTRY = MetaData()
"""Tables that stand beside those of the shops."""

SHOP = Table(
    "shop",
    REGISTRY,
    Column("id", Integer, primary_key=True),
    Column("key", String(40), nullable=False),
    Column("name", String(120), nullable=False),
    Column("made_at", UtcMillis, nullable=False),
    Column("closed_at", UtcMillis),
    UniqueConstraint("key", name="uq_shop_key"),
)
TURN = Table(
    "shopturn",
    REGISTRY,
    Column(
        SHOP_ID,
        ForeignKey("shop.id", name="fk_shopturn_shop_id"),
        primary_key=True,
        autoincrement=False,
    ),
)
COUNTER = Table(
    "shopcounter",
    REGISTRY,
    Column(SHOP_ID, Integer, primary_key=True),
    Column("name", String(64), primary_key=True),
    Column("last", Integer, nullable=False),
)
SECRET = Table("shopsecret", REGISTRY, Column("key", LargeBinary, nullable=False))
hosts.HOST.to_metadata(REGISTRY)

DRAWN = "sha256(convert_to(gen_random_uuid()::text || gen_random_uuid()::text, 'UTF8'))"
"""A secret that the server draws: random numbers that nobody can foretell, 244 bits of them."""

FIRST = "main"
"""Key of the shop that every database begins with."""

KEY = re.compile(r"[a-z0-9](?:[a-z0-9-]{0,38}[a-z0-9])?")


@dataclass(frozen=True)
class ListedShop:
    """A shop as it is listed."""

    id: int
    key: str
    name: str
    made_at: datetime
    closed_at: datetime | None
    """From when on nobody enters it; what it holds is kept."""


def checked_key(key: str) -> str:
    """Return the word of a shop if it can be one; raises DatabaseError."""
    if not KEY.fullmatch(key):
        raise DatabaseError(
            f"{key!r} cannot be a shop's key: it has 1 to 40 small letters, digits and hyphens, "
            "with no hyphen at its ends"
        )
    return key


class Registry:
    """The shops of a PostgreSQL database, in the hands of the owner of its tables.

    Every method raises DatabaseError where the database cannot be used, or its role is another.
    """

    def __init__(self, url: str, clock: Clock) -> None:
        self._url, self._clock = url, clock

    def upgrade(self) -> None:
        """Make the tables, or bring them up to this version, for all shops at once."""
        database = Database(self._url)
        try:
            database.upgrade()
        finally:
            database.dispose()
        with self._changing() as connection:
            hosts.let_in_again(connection)

    def listed(self) -> tuple[ListedShop, ...]:
        """Return every shop."""
        with self._changing() as connection:
            return tuple(
                listed_shop(row) for row in connection.execute(select(SHOP).order_by(SHOP.c.id))
            )

    def add(self, key: str, name: str) -> ListedShop:
        """Add a shop.

        The first one takes the place of the one that every database begins with, unless something
        is kept in that already.
        """
        checked_key(key)
        with self._changing() as connection:
            there = [
                listed_shop(row) for row in connection.execute(select(SHOP).order_by(SHOP.c.id))
            ]
            if any(shop.key == key for shop in there):
                raise DatabaseError(f"there is a shop {key} already")
            now = self._clock.now()
            values = {"key": key, "name": name, "made_at": now}
            if [shop.key for shop in there] == [FIRST] and not _used(connection):
                shop_id = there[0].id
                connection.execute(update(SHOP).where(SHOP.c.id == shop_id).values(**values))
            else:
                asked = insert(SHOP).values(**values).returning(SHOP.c.id)
                shop_id = connection.execute(asked).scalar_one()
                connection.execute(insert(TURN).values(shop_id=shop_id))
            return ListedShop(shop_id, key, name, now, None)

    def close(self, key: str) -> None:
        """Let nobody into a shop any more, from the next statement on; its rows are kept."""
        with self._changing() as connection:
            self._change(connection, key, closed_at=self._clock.now())

    def reopen(self, key: str) -> None:
        """Let people into a shop again."""
        with self._changing() as connection:
            self._change(connection, key, closed_at=None)

    def let_host(self, role: str) -> bytes:
        """Let a role host the shops; return the secret that it needs besides.

        Raises
        ------
        DatabaseError
            Where the role is not there, or could reach more than its rights say.
        """
        with self._changing() as connection:
            hosts.let_in(connection, role)
            return _secret(connection)

    def renew_secret(self) -> bytes:
        """Make the secret anew: who has the former one alone is not let in any more."""
        with self._changing() as connection:
            # Random by the server, as the first one was.
            connection.execute(update(SECRET).values(key=text(DRAWN)))
            return _secret(connection)

    @contextmanager
    def _changing(self) -> Iterator[Connection]:
        try:
            with remade(self._url) as connection:
                if not inspect(connection).has_table(SHOP.name):
                    raise DatabaseError(
                        "the database has no tables for shops yet: boothglass shops upgrade"
                    )
                yield connection
        except SQLAlchemyError as error:
            raise unopened(self._url, error) from error

    @staticmethod
    def _change(connection: Connection, shop: str, **values: Any) -> None:
        asked = update(SHOP).where(SHOP.c.key == shop).values(**values)
        if not connection.execute(asked).rowcount:
            raise DatabaseError(f"there is no shop {shop}")


def listed_shop(row: Row[Any]) -> ListedShop:
    """Return a row of the registry as it is listed."""
    return ListedShop(row.id, row.key, row.name, row.made_at, row.closed_at)


def _secret(connection: Connection) -> bytes:
    return bytes(connection.execute(select(SECRET.c.key)).scalar_one())


def _used(connection: Connection) -> bool:
    """Whether anything is kept in any shop."""
    return any(
        connection.execute(select(1).select_from(table).limit(1)).first()
        for table in SQLModel.metadata.sorted_tables
    )
