"""What is kept between reads is never other than what would be read now."""

from __future__ import annotations

import random
import sqlite3
import subprocess
import sys
import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path

import databases
import numpy as np
import pytest
from sqlmodel import select

from service.store import corrections, readings
from service.store.db import Database, sqlite_path
from service.store.memo import kept
from service.store.readings import NewReading, record_batch
from service.store.settling import settle_all
from service.store.tables import Correction, Fact, Place

START = datetime(2026, 3, 2, 0, 0, tzinfo=UTC)


class Counted:
    """Reads the value of a fact, and counts how often it did."""

    def __init__(self) -> None:
        self.times = 0

    def __call__(self, session) -> int | None:
        def read() -> int | None:
            self.times += 1
            fact = session.get(Fact, "n")
            return None if fact is None else fact.value["n"]

        return kept(session, "n", read)


def set_n(database: Database, n: int) -> None:
    with database.write() as session:
        fact = session.get(Fact, "n") or Fact(key="n")
        fact.value = {"n": n}
        session.add(fact)


def ask(database: Database, asker: Counted) -> int | None:
    with database.read() as session:
        return asker(session)


@databases.sqlite_only
def test_it_is_read_once_until_somebody_writes(database: Database) -> None:
    asker = Counted()
    set_n(database, 1)
    assert [ask(database, asker) for _ in range(3)] == [1, 1, 1]
    assert asker.times == 1
    set_n(database, 2)
    assert [ask(database, asker) for _ in range(2)] == [2, 2]
    assert asker.times == 2


@databases.sqlite_only
def test_another_process_that_writes_is_noticed(database: Database, data_folder: Path) -> None:
    asker = Counted()
    set_n(database, 1)
    assert ask(database, asker) == 1
    write = (
        "import sqlite3, sys; c = sqlite3.connect(sys.argv[1]); c.execute(sys.argv[2]); c.commit()"
    )
    change = "update fact set value = '{\"n\": 7}' where key = 'n'"
    subprocess.run([sys.executable, "-c", write, str(sqlite_path(data_folder)), change], check=True)
    assert ask(database, asker) == 7


def test_a_look_that_began_before_a_commit_leaves_nothing_old_behind(database: Database) -> None:
    asker = Counted()
    set_n(database, 1)
    with database.read() as session:
        session.exec(select(Place)).all()  # from here on it sees the database as it is
        set_n(database, 2)
        assert asker(session) == 1  # its own view
        assert ask(database, asker) == 2
        assert asker(session) == 1
    assert ask(database, asker) == 2


def test_reads_made_one_see_one_instant_whoever_writes_meanwhile(database: Database) -> None:
    asker = Counted()
    set_n(database, 1)
    with database.at_once() as session:
        assert ask(database, asker) == 1
        set_n(database, 2)
        assert ask(database, asker) == 1
        with database.at_once() as inner:
            assert inner is session
            assert ask(database, Counted()) == 1
        assert ask(database, asker) == 1
        found: list[int | None] = []
        other = threading.Thread(target=lambda: found.append(ask(database, Counted())))
        other.start()
        other.join(30)
        assert found == [2]  # another thread looks for itself
    assert ask(database, asker) == 2


def test_who_writes_sees_what_it_has_written(database: Database) -> None:
    asker = Counted()
    set_n(database, 1)
    assert ask(database, asker) == 1
    with database.write() as session:
        session.get_one(Fact, "n").value = {"n": 3}
        session.flush()
        assert asker(session) == 3
        session.rollback()
    assert ask(database, asker) == 1


def rows_of(hours: range, rng: random.Random, sensor: str = "wall") -> list[NewReading]:
    found = []
    for minute in range(hours.start * 60, hours.stop * 60, 3):
        at = START + timedelta(minutes=minute, seconds=rng.randrange(60))
        air = 20.0 + 2.0 * np.sin(minute / 400.0) + rng.gauss(0.0, 0.03)
        found.append(NewReading("booth", sensor, at, at, round(air, 2), 50.0, None))
    return found


def both(database: Database, begun: datetime, until: datetime, step_s: float | None):
    """The course as pages read it, and as it is read where nothing is kept."""
    with database.read() as session:
        quick = readings.series(session, "booth", begun, until, step_s)
    with database.write() as session:
        plain = readings.series(session, "booth", begun, until, step_s)
    return quick, plain


@pytest.mark.parametrize("step_s", [None, 60.0, 600.0])
@pytest.mark.parametrize("seed", range(3))
def test_a_course_is_what_it_would_be_without_anything_kept(
    database: Database, seed: int, step_s: float | None
) -> None:
    rng = random.Random(seed)
    late = rows_of(range(4, 6), rng, "rail")
    begun = START + timedelta(minutes=17)

    def compare(until_h: float) -> None:
        until = START + timedelta(hours=until_h)
        for end in (until, until + timedelta(minutes=30), until - timedelta(minutes=70)):
            quick, plain = both(database, begun, end, step_s)
            for name in ("time_s", "air_c", "rh_pct", "surface_c"):
                np.testing.assert_array_equal(getattr(quick, name), getattr(plain, name), name)

    def take(batch: list[NewReading]) -> None:
        with database.write() as session:
            record_batch(session, batch)

    first = rows_of(range(12), rng)
    take(first)
    compare(12)  # nothing settled yet
    settle_all(database)
    compare(12)
    take(rows_of(range(12, 13), rng))
    compare(13)
    settle_all(database)
    compare(13)
    take(late)  # another sensor's, hours later
    compare(13)
    settle_all(database)
    compare(13)
    soon = timedelta(seconds=61)
    spoilt = [
        row._replace(air_c=99.0, at=row.at + soon, received_at=row.at + soon) for row in late[::5]
    ]
    take(spoilt)
    settle_all(database)
    compare(13)
    with database.write() as session:
        corrections.keep(
            session,
            Correction(sensor_id=1, quantity="air_c", from_at=START + timedelta(hours=3),
                       offset=0.4, method="typed in", made_at=START + timedelta(hours=13)),
        )  # fmt: skip
    compare(13)
    settle_all(database)
    compare(13)
    take(rows_of(range(13, 14), rng))
    settle_all(database)
    compare(14)


@databases.sqlite_only
def test_a_database_of_one_connection_can_be_closed_and_its_file_removed(
    database: Database, data_folder: Path
) -> None:
    set_n(database, 1)
    ask(database, Counted())
    database.dispose()
    with sqlite3.connect(sqlite_path(data_folder)) as connection:
        connection.execute("PRAGMA journal_mode=DELETE")  # refused while another has it open
    connection.close()
