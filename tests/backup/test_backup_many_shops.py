"""A back-up of many shops in one database brings back all of them, and what keeps them apart."""

from __future__ import annotations

from pathlib import Path

import databases
import pytest
from batches import AT, readings
from equipment import SetClock

from service.backup.archive import make, restore
from service.store.db import Database, DatabaseError, remade
from service.store.hosts import weaknesses
from service.store.readings import record_batch
from service.store.registry import Registry
from service.store.shops_on_server import ShopsOnServer

pytestmark = pytest.mark.real


def record(database: Database, *batches: int) -> None:
    with database.write() as session:
        record_batch(session, [reading for n in batches for reading in readings(n)])


def counted(database: Database) -> tuple[int, list[int]]:
    with database.read() as session:
        ask = session.connection().exec_driver_sql
        count = ask("SELECT count(*) FROM reading").scalar_one()
        return int(count), list(ask("SELECT DISTINCT shop_id FROM reading").scalars())


def test_all_shops_come_back_and_are_kept_apart(tmp_path: Path) -> None:
    hosting = databases.hosting("backed_up", "north", "south", "closed")
    shops = hosting.shops(tmp_path / "host")
    record(shops.open("north"), 1, 2, 3)
    record(shops.open("south"), 1)
    (shops.folder("south") / "photos").mkdir()
    (shops.folder("south") / "photos" / "a.jpg").write_bytes(b"picture")
    hosting.registry.close("closed")
    listed = shops.listed()
    shops.dispose()
    file = tmp_path / "b.tar.gz"
    make(tmp_path / "host", file, AT, recipient=None, database_url=hosting.owner_url)

    back = databases.on_server("brought_back", "keeper")
    restore(file, tmp_path / "after", database_url=back)
    again = ShopsOnServer(back.replace("keeper@", "host@"), hosting.secret, tmp_path / "after")
    assert again.listed() == listed
    assert counted(again.open("north")) == (6, [1])
    assert counted(again.open("south")) == (2, [2])
    with pytest.raises(DatabaseError, match="closed"):
        again.open("closed")
    record(again.open("south"), 2)
    assert counted(again.open("south")) == (4, [2])
    assert (again.folder("south") / "photos" / "a.jpg").read_bytes() == b"picture"
    again.dispose()
    with remade(back) as connection:
        assert weaknesses(connection, "host") == []
    assert Registry(back, SetClock()).add("fourth", "").id == 4


def test_a_host_is_told_that_it_backs_up_nothing(tmp_path: Path) -> None:
    hosting = databases.hosting("backed_up_by_host", "north")
    with pytest.raises(DatabaseError, match=r"pg_dump: .*(row-level security|permission denied)"):
        make(tmp_path, tmp_path / "b", AT, recipient=None, database_url=hosting.host_url)
    assert not (tmp_path / "b").exists()
