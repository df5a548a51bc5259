"""Many shops: in one PostgreSQL database or a folder each, told by the same interface."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import databases
import pytest
from equipment import SetClock
from sqlmodel import select

from service.store.db import Database, DatabaseError, remade
from service.store.hosting import shops_of
from service.store.readings import NewReading, record_batch
from service.store.shops import Shops
from service.store.shops_in_folders import FolderRegistry
from service.store.tables import Instrument, Place

AT = SetClock().now()
SECOND = timedelta(seconds=1)


def place(name: str) -> Place:
    return Place(id="booth", name=name, made_at=AT)


def instrument(number: str) -> Instrument:
    return Instrument(shop_number=number, kind="ukulele", schedule_id="gloss", made_at=AT)


def put(database: Database, *rows: object) -> None:
    with database.write() as session:
        session.add_all(rows)


def names(database: Database) -> list[str]:
    with database.read() as session:
        return [row.name for row in session.exec(select(Place))]


@pytest.fixture(params=["folders", "server"])
def hosted(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Shops]:
    if request.param == "folders":
        registry = FolderRegistry(tmp_path, SetClock())
        registry.add("north", "Shop north")
        registry.add("south", "Shop south")
        shops: Shops = shops_of(tmp_path, None, None)
    else:
        made = databases.hosting("two_shops", "north", "south")
        shops = shops_of(tmp_path, made.host_url, made.secret)
    yield shops
    shops.dispose()


def test_every_shop_has_its_own_rows_and_its_own_numbers(hosted: Shops) -> None:
    north, south = hosted.open("north"), hosted.open("south")
    put(north, place("North's"), instrument("1"), instrument("2"))
    put(south, place("South's"), instrument("1"))
    assert (names(north), names(south)) == (["North's"], ["South's"])
    for database, numbers in ((north, [1, 2]), (south, [1])):
        with database.read() as session:
            assert sorted(row.id or 0 for row in session.exec(select(Instrument))) == numbers
    assert hosted.open("north") is north


def test_a_statement_may_be_asked_as_often_as_one_likes(hosted: Shops) -> None:
    """A driver that prepares what it sees often would find it discarded between two shops."""
    for _ in range(12):
        for key in ("north", "south"):
            assert names(hosted.open(key)) == []
    for number in range(12):
        put(hosted.open("north"), instrument(str(number)))


def test_shops_are_listed_in_the_order_in_which_they_came(hosted: Shops) -> None:
    shops = [(s.id, s.key, s.name, s.made_at, s.closed_at) for s in hosted.listed()]
    assert shops == [(1, "north", "Shop north", AT, None), (2, "south", "Shop south", AT, None)]
    assert hosted.folder("north") != hosted.folder("south")
    assert hosted.folder("north").is_dir()


def test_upgrade_is_asked_of_every_shop_and_has_nothing_to_do(hosted: Shops) -> None:
    for key in ("north", "south"):
        hosted.open(key).upgrade()


def test_a_shop_that_is_not_there(hosted: Shops) -> None:
    with pytest.raises(DatabaseError, match="no shop west"):
        hosted.open("west")
    with pytest.raises(DatabaseError, match="small letters"):
        hosted.folder("../south")


def test_the_first_takes_the_place_of_an_empty_one_and_no_other_does() -> None:
    registry = databases.hosting("adding").registry
    assert [shop.key for shop in registry.listed()] == ["main"]
    assert [registry.add(key, "").id for key in ("north", "south", "west")] == [1, 2, 3]
    assert [shop.key for shop in registry.listed()] == ["north", "south", "west"]
    with pytest.raises(DatabaseError, match="is a shop north already"):
        registry.add("north", "")


def test_what_is_asked_of_one_shop_among_many_walks_its_keys(tmp_path: Path) -> None:
    """What keeps shops apart is the first column of the key, not a filter over all rows."""
    made = databases.hosting("walked", "north", "south")
    shops = made.shops(tmp_path)
    at = [NewReading("booth", "wall", AT + n * SECOND, AT, 20.0, 50.0) for n in range(1500)]
    for key in ("north", "south"):
        with shops.open(key).write() as session:
            record_batch(session, at)
            session.add_all(instrument(str(n)) for n in range(20))
    with remade(made.owner_url) as owner:
        owner.exec_driver_sql("ANALYZE")
    asked = {
        "SELECT * FROM reading WHERE sensor_id = 2 AND at >= 100 AND at < 200": "pk_reading",
        "SELECT min(at) FROM reading WHERE sensor_id = 2 AND at >= 1400": "pk_reading",
        "SELECT * FROM instrument WHERE id = 7": "pk_instrument",
        "SELECT * FROM instrument WHERE shop_number = '7'": "uq_instrument_shop_number",
    }
    with shops.open("south").read() as session:
        # So few rows are read at once otherwise.
        for other_way in ("seqscan", "bitmapscan"):
            session.connection().exec_driver_sql(f"SET LOCAL enable_{other_way} = off")
        for statement, key in asked.items():
            rows = session.connection().exec_driver_sql(f"EXPLAIN (COSTS OFF) {statement}")
            plan = "\n".join(rows.scalars())
            if key:
                assert re.search(rf"Index (Only )?Scan.* using {key} ", plan), plan
                assert re.search(r"Index Cond: \(\(shop_id = \$\d\) AND", plan), plan
    shops.dispose()
