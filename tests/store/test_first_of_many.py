"""A database that held one shop takes in others: its rows are the first one's, and go on.

On a real PostgreSQL, with what earlier versions of the tables held.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import anyrows
import databases
import pytest
from alembic import command
from equipment import SetClock
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError
from sqlmodel import select
from test_upgrades import as_it_was

from service.store.db import Database, DatabaseError, alembic_config, remade
from service.store.registry import Registry
from service.store.tables import Instrument, Person, Place

AT = SetClock().now()


def content(database: Database) -> dict[str, list[dict[str, Any]]]:
    with database.read() as session:
        return anyrows.content(session.connection())


@pytest.fixture
def url() -> str:
    """A shop's database before there could be many."""
    url = databases.on_server("one_shop", "keeper")
    as_it_was(url, "0010")
    return url


@pytest.fixture
def one(url: str) -> Iterator[Database]:
    made = Database(url)
    made.upgrade()
    yield made
    made.dispose()


def test_one_shop_goes_on_with_no_new_setting(one: Database) -> None:
    before = content(one)
    assert all(len(rows) == anyrows.ROWS for rows in before.values())
    with one.write() as session:
        session.add(Person(name="New", made_at=AT))
        session.add(Place(id="new", name="New", made_at=AT))
    with one.read() as session:
        number = session.exec(select(Person.id).where(Person.name == "New")).one()
        rows = session.connection().execute(text("SELECT DISTINCT shop_id FROM place"))
        assert rows.scalars().all() == [1]
    assert number == max(row["id"] for row in before["person"]) + 1


def test_once_there_are_others_it_is_entered_like_them(
    one: Database, url: str, tmp_path: Path
) -> None:
    before = content(one)
    registry = Registry(url, SetClock())
    secret = registry.let_host("host").hex()
    registry.add("second", "Second")
    for use in (one.read, one.write):
        with pytest.raises(DatabaseError, match="holds several shops"), use() as session:
            session.connection()
    assert [shop.key for shop in registry.listed()] == ["main", "second"]
    host = url.replace("keeper@", "host@")
    shops = databases.Hosting(registry, url, host, secret).shops(tmp_path)
    assert content(shops.open("main")) == before
    second = shops.open("second")
    with second.write() as session:
        session.add(Instrument(shop_number="1", kind="lyre", schedule_id="oil", made_at=AT))
    assert [row["id"] for row in content(second)["instrument"]] == [1]
    assert content(shops.open("main")) == before
    shops.dispose()


def test_the_owner_of_many_shops_writes_into_none_by_mistake(one: Database, url: str) -> None:
    Registry(url, SetClock()).add("second", "")
    with remade(url) as connection, pytest.raises(DBAPIError, match="null value in column"):
        connection.execute(text("INSERT INTO fact VALUES ('stray', '{}')"))


def test_back_to_earlier_tables_while_there_is_one_shop(one: Database, url: str) -> None:
    before = content(one)
    command.downgrade(alembic_config(url), "0010")
    with remade(url) as connection:
        assert anyrows.content(connection) == before
        add = "INSERT INTO person (name, prefs, telling, made_at) VALUES ('x','{}','{}',0)"
        number = connection.execute(text(f"{add} RETURNING id")).scalar_one()
        assert number == max(row["id"] for row in before["person"]) + 1
    one.upgrade()
    Registry(url, SetClock()).add("second", "")
    with pytest.raises(DBAPIError, match="several shops are kept"):
        command.downgrade(alembic_config(url), "0010")
    assert [shop.key for shop in Registry(url, SetClock()).listed()] == ["main", "second"]
