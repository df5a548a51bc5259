"""The database: migrations that match the tables, one door to commit, sync that survives."""

from __future__ import annotations

import contextlib
import io
import sqlite3
import threading
from collections.abc import Callable

import databases
import pytest
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from equipment import SetClock
from sqlalchemy import text
from sqlalchemy.exc import IntegrityError, InternalError, OperationalError, ProgrammingError
from sqlmodel import Session, SQLModel, select

from service.store import tables
from service.store.db import Database, DatabaseError, alembic_config, blames_data, sqlite_url
from service.store.tables import Place


def place(name: str) -> Place:
    return Place(id=name, name=name, made_at=SetClock().now())


def test_migrations_and_tables_say_the_same(database):
    with database.engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, databases.tables_of(connection)) == []


@databases.sqlite_only
def test_readings_are_kept_in_the_order_of_their_key(database):
    with database.read() as session:
        ddl = session.connection().execute(
            text("select sql from sqlite_master where name = 'reading'")
        )
        assert "WITHOUT ROWID" in ddl.scalar_one()


def test_migrations_write_sql_that_postgresql_knows(data_folder):
    # Written out for PostgreSQL by Alembic, without a server: no type that only SQLite has.
    config = alembic_config("postgresql://nobody@nowhere/nothing")
    config.output_buffer = io.StringIO()
    command.upgrade(config, "head", sql=True)
    sql = config.output_buffer.getvalue()
    for table in SQLModel.metadata.tables:
        assert f"CREATE TABLE {table} " in sql
    assert "PRIMARY KEY (sensor_id, at)" in sql
    assert "BYTEA" in sql
    assert "BIGINT" in sql
    assert "WITHOUT ROWID" not in sql


def test_there_and_back_again(database):
    config = alembic_config(database.url)
    command.downgrade(config, "base")
    command.upgrade(config, "head")
    with database.read() as session:
        assert session.exec(select(Place)).all() == []


def test_upgrading_twice_changes_nothing(database):
    with database.write() as session:
        session.add(place("booth"))
    database.upgrade()
    with database.read() as session:
        assert [p.id for p in session.exec(select(Place))] == ["booth"]


def test_two_services_may_start_at_once(data_folder):
    # Both bring the same empty file up: one waits for the other, neither fails.
    failures = []

    def start() -> None:
        one = Database(sqlite_url(data_folder))
        try:
            one.upgrade()
        except DatabaseError as error:
            failures.append(error)
        finally:
            one.dispose()

    starts = [threading.Thread(target=start) for _ in range(3)]
    for thread in starts:
        thread.start()
    for thread in starts:
        thread.join()
    assert failures == []


def test_a_newer_database_is_refused_and_left_alone(database):
    with database.write() as session:
        session.connection().execute(text("update alembic_version set version_num = '9999'"))
    with pytest.raises(DatabaseError, match="newer version of Boothglass"):
        database.upgrade()
    with database.read() as session:
        kept = session.connection().execute(text("select version_num from alembic_version"))
        assert kept.scalar_one() == "9999"


@databases.sqlite_only
def test_an_upgrade_that_breaks_off_leaves_nothing_half_done(data_folder):
    # A table of ours is in the way, so the first migration fails in its middle.
    file = data_folder / "boothglass.sqlite"
    with sqlite3.connect(file) as raw:
        raw.execute("create table reject (id integer)")
    raw.close()
    database = Database(sqlite_url(data_folder))
    with pytest.raises(DatabaseError, match="reject"):
        database.upgrade()
    database.dispose()
    with sqlite3.connect(file) as raw:
        names = [name for (name,) in raw.execute("select name from sqlite_master")]
    raw.close()
    assert names == ["reject"]


@pytest.mark.parametrize("content", [b"not a database, " * 100, None])
def test_what_cannot_be_opened_says_where(data_folder, content):
    file = data_folder / "boothglass.sqlite"
    if content is None:
        file.mkdir()
    else:
        file.write_bytes(content)
    database = Database(sqlite_url(data_folder))
    with pytest.raises(DatabaseError, match=r"boothglass\.sqlite cannot be opened: .*database"):
        database.upgrade()
    database.dispose()


@databases.sqlite_only
def test_sqlite_keeps_what_it_has_committed(database):
    with database.read() as session:
        ask = session.connection().exec_driver_sql
        assert ask("PRAGMA journal_mode").scalar_one() == "wal"
        # 2 is FULL: a commit returns when the log is on the disk (sqlite.org, PRAGMA synchronous).
        assert ask("PRAGMA synchronous").scalar_one() == 2
        assert ask("PRAGMA foreign_keys").scalar_one() == 1
        assert ask("PRAGMA busy_timeout").scalar_one() >= 5000


def test_a_write_that_fails_changes_nothing(database):
    def half_a_write() -> None:
        with database.write() as session:
            session.add(place("booth"))
            session.flush()
            raise RuntimeError("in the middle")

    with pytest.raises(RuntimeError, match="in the middle"):
        half_a_write()
    with database.read() as session:
        assert session.exec(select(Place)).all() == []


def test_a_read_commits_nothing(database):
    # PostgreSQL refuses at once, SQLite takes it and forgets it.
    with contextlib.suppress(InternalError), database.read() as session:
        session.add(place("booth"))
        session.flush()
    with database.read() as session:
        assert session.exec(select(Place)).all() == []


def test_two_writers_queue(database):
    # Each reads, then writes what it read plus one: without the lock at the start one would fail
    # with "database is locked", or a count would be lost.
    with database.write() as session:
        session.add(Place(id="booth", name="0", made_at=SetClock().now()))

    def count_up() -> None:
        for _ in range(25):
            with database.write() as session:
                row = session.get_one(Place, "booth")
                row.name = str(int(row.name) + 1)
                session.add(row)

    threads = [threading.Thread(target=count_up) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    with database.read() as session:
        assert session.get_one(Place, "booth").name == "100"


def test_what_is_to_blame_for_a_failed_write(database):
    def failure(write: Callable[[Session], object]) -> Exception:
        with pytest.raises(Exception) as caught, database.write() as session:  # noqa: PT011 -- which one is the question
            write(session)
        return caught.value

    twice = failure(lambda s: s.add_all([place("a"), place("a")]))
    assert isinstance(twice, IntegrityError)
    assert blames_data(twice)
    naive = failure(
        lambda s: s.add(Place(id="b", name="b", made_at=SetClock().at.replace(tzinfo=None)))
    )
    assert blames_data(naive)
    surrogate = failure(lambda s: s.add(Place(id="c", name="\ud800", made_at=SetClock().now())))
    assert blames_data(surrogate)
    number = text("select cast(:n as bigint)")
    huge = failure(lambda s: s.connection().execute(number, {"n": 2**70}))
    assert blames_data(huge)
    gone = failure(lambda s: s.connection().execute(text("select * from nowhere")))
    assert isinstance(gone, OperationalError | ProgrammingError)
    assert not blames_data(gone)
    assert not blames_data(OSError("disk on fire"))


def test_readings_of_the_first_schema_come_through_the_upgrade(data_folder):
    # Written as the first release wrote it, in plain SQL: 20.05 °C, 103.2 % as sent and cut to 100.
    address = sqlite_url(data_folder)
    config = alembic_config(address)
    command.upgrade(config, "0001")
    file = data_folder / "boothglass.sqlite"
    at = 1_772_442_000_000
    with sqlite3.connect(file) as raw:
        raw.execute("insert into place values ('booth', 'Booth', 'booth', null, ?)", (at,))
        raw.execute("insert into sensor values (7, 'booth', 'wall', 0.3, 2.0, ?)", (at,))
        rows = [
            (7, at, at + 1500, 20.05, 103.2, 20.05, 100.0, None, None),
            (7, at + 30_000, at + 30_000, -3.1234, 40.0, -3.1234, 40.0, -4.5, 100_812.3),
        ]
        raw.executemany("insert into reading values (?,?,?,?,?,?,?,?,?)", rows)
    raw.close()
    database = Database(address)
    database.upgrade()
    with database.read() as session:
        first, second = session.exec(select(tables.Reading).order_by(tables.Reading.at)).all()
        waiting = session.exec(select(tables.Unsettled)).all()
    assert (first.raw_air_c, first.raw_rh_pct, first.delay_ms) == (20.05, 103.2, 1500)
    assert (first.surface_c, first.pressure_pa, first.flags) == (None, None, None)
    assert (second.raw_air_c, second.surface_c, second.pressure_pa) == (-3.1234, -4.5, 100_812.3)
    assert [(u.place_id, u.hour.timestamp() % 3600) for u in waiting] == [("booth", 0.0)]
    command.downgrade(config, "0001")
    with sqlite3.connect(file) as raw:
        assert raw.execute("select * from reading order by at").fetchall() == rows
    raw.close()
    database.dispose()


def test_what_was_noticed_before_there_were_people_counts_as_told(data_folder):
    address = sqlite_url(data_folder)
    config = alembic_config(address)
    command.upgrade(config, "0003")
    with sqlite3.connect(data_folder / "boothglass.sqlite") as raw:
        raw.execute(
            "insert into notice (key, kind, at, text, data) values"
            " ('silent:booth/wall:1', 'sensor-silent', 1772442000000, 'silent', '{}')"
        )
    raw.close()
    database = Database(address)
    database.upgrade()
    with database.read() as session:
        (notice,) = session.exec(select(tables.Notice)).all()
    assert notice.told_at == notice.at
    command.downgrade(config, "0003")
    database.dispose()
