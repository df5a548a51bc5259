"""A disk that fills up: nothing is acknowledged, health says why, and all lands once there is room.

SQLite is told of a small largest size (``PRAGMA max_page_count``), so it reports its own "database
or disk is full", as it does where the file system has no more room.
"""

from __future__ import annotations

import databases
import pytest
from equipment import eventually
from sqlalchemy import event
from sqlmodel import func, select

from service.intake.client import Intake
from service.store.db import Database, sqlite_url
from service.store.tables import Reading

pytestmark = [pytest.mark.real, databases.sqlite_only]

TOPIC = "boothglass/booth/wall"


def report(number: int) -> dict[str, object]:
    at = f"2026-03-01T{number // 3600:02}:{number // 60 % 60:02}:{number % 60:02}Z"
    return {"at": at, "air_c": 20.0, "rh_pct": 50.0}


def count(database: Database) -> int:
    with database.read() as session:
        return session.exec(select(func.count()).select_from(Reading)).one()


def test_a_full_disk_holds_readings_back_and_loses_none(mosquitto, database, clock, data_folder):
    with database.read() as session:
        pages = session.connection().exec_driver_sql("PRAGMA page_count").scalar_one()
    room = {"pages": pages + 4}
    small = Database(sqlite_url(data_folder))

    @event.listens_for(small.engine, "begin")
    def limit(connection) -> None:
        connection.exec_driver_sql(f"PRAGMA max_page_count = {room['pages']}")

    intake = Intake(
        mosquitto.address, small, clock, data_folder, on_recorded=lambda _recorded: None
    )
    intake.start()
    assert intake.wait_connected(10)
    mosquitto.publish(TOPIC, *[report(n) for n in range(3000)])
    eventually(lambda: "disk is full" in str(intake.health()["problems"]), 20, "the disk is full")
    held_back = count(database)
    assert held_back < 3000
    # Room is made: what was held back lands without anybody doing anything.
    room["pages"] = 1_000_000
    eventually(lambda: count(database) == 3000, 20, "all readings are there")
    assert intake.health()["problems"] == []
    intake.stop()
    small.dispose()
