"""Readings in parts by year, on PostgreSQL: nothing else is different, and nothing is lost."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import databases
import pytest
from databases import Hosting
from sqlalchemy import create_engine, text
from sqlalchemy.exc import DBAPIError
from sqlmodel import func, select

from service.store.db import Database, DatabaseError, sqlite_url
from service.store.partitions import AHEAD_YEARS, partition
from service.store.readings import NewReading, record_batch
from service.store.retention import thin
from service.store.settling import settle_all
from service.store.shops_on_server import ShopsOnServer
from service.store.tables import Reading

NOW = datetime(2026, 6, 1, tzinfo=UTC)
YEARS = (2024, 2025, 2026)


def reading(at: datetime) -> NewReading:
    return NewReading(place="booth", sensor="wall", at=at, received_at=at, air_c=20.0, rh_pct=50.0)


def batch() -> list[NewReading]:
    return [
        reading(datetime(year, 3, 1, tzinfo=UTC) + timedelta(hours=hour))
        for year in YEARS
        for hour in range(24)
    ]


def record(database: Database, readings: list[NewReading]) -> int:
    with database.write() as session:
        return record_batch(session, readings).new


def count(database: Database) -> int:
    with database.read() as session:
        return int(session.exec(select(func.count()).select_from(Reading)).one())


@pytest.fixture
def hosting() -> Hosting:
    return databases.hosting("parts", "north", "south")


@pytest.fixture
def shops(hosting: Hosting, tmp_path) -> Iterator[ShopsOnServer]:
    made = ShopsOnServer(hosting.host_url, hosting.secret, tmp_path)
    yield made
    made.dispose()


def test_nothing_is_lost_and_a_year_is_asked_by_itself(
    hosting: Hosting, shops: ShopsOnServer
) -> None:
    north, south = shops.open("north"), shops.open("south")
    record(north, batch())
    record(south, batch()[:5])
    assert partition(hosting.owner_url, NOW) == (2024, 2026 + AHEAD_YEARS)
    assert (count(north), count(south)) == (72, 5)
    # A repeat is known, a new one is taken in, whatever year it is of.
    assert record(north, batch()) == 0
    far = [reading(datetime(year, 1, 1, tzinfo=UTC)) for year in (2001, 2035, 2055)]
    assert record(north, far) == 3
    assert count(north) == 75
    with north.read() as session:
        plan = session.connection().execute(
            text("EXPLAIN SELECT * FROM reading WHERE sensor_id = 1 AND at >= :low AND at < :high"),
            {"low": 1_740_000_000_000, "high": 1_750_000_000_000},
        )
        told = "\n".join(line for (line,) in plan)
    assert "reading_2025" in told
    assert "reading_2024" not in told
    # Years later it is done once more.
    assert partition(hosting.owner_url, NOW + timedelta(days=3660)) == (2001, 2036 + AHEAD_YEARS)
    assert (count(north), count(south)) == (75, 5)


def test_parts_are_kept_apart_by_shop_as_the_whole_was(
    hosting: Hosting, shops: ShopsOnServer
) -> None:
    record(shops.open("north"), batch())
    partition(hosting.owner_url, NOW)
    south = shops.open("south")
    assert count(south) == 0
    with south.read() as session, pytest.raises(DBAPIError, match="permission denied"):
        session.connection().execute(text("SELECT count(*) FROM reading_2025"))
    engine = create_engine(hosting.owner_url)
    with engine.connect() as connection:
        kept_apart = connection.execute(
            text(
                "SELECT count(*), bool_and(relrowsecurity) FROM pg_class"
                " WHERE relname LIKE 'reading%' AND relkind IN ('r', 'p')"
            )
        ).one()
    engine.dispose()
    assert tuple(kept_apart) == (1 + len(YEARS) + AHEAD_YEARS + 2, True)


def test_settling_and_thinning_out_go_on(hosting: Hosting, shops: ShopsOnServer) -> None:
    north = shops.open("north")
    record(north, batch())
    partition(hosting.owner_url, NOW)
    settle_all(north)
    gone = sum(thin(north, NOW, 400))
    assert gone == 24
    assert count(north) == 48


def test_what_cannot_be_put_into_parts_says_why(tmp_path, hosting: Hosting) -> None:
    url = sqlite_url(tmp_path)
    Database(url).upgrade()
    with pytest.raises(DatabaseError, match="on PostgreSQL only"):
        partition(url, NOW)
    with pytest.raises(DatabaseError, match="up to this version"):
        partition(databases.on_server("parts_empty"), NOW)
