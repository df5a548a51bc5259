"""Intake and settler as a process of its own, to be killed: ``intake_process.py URL FOLDER``.

Beside the data folder it keeps, for whoever watches it, ``acknowledged`` (topic and instant of each
reading, written just before it is acknowledged) and ``health.json``; it reads ``clock-shift``, by
how many seconds its clock is off.
"""

from __future__ import annotations

import json
import os
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

from service.intake.arrivals import Arrival
from service.intake.client import Intake
from service.intake.settler import Settler
from service.settings import parse_mqtt_url
from service.store import db as store_db
from service.store.db import Database, database_url
from service.store.readings import Recorded


class ShiftedClock:
    """The machine's time and a number of seconds that may be changed from outside."""

    rate = 1.0
    driven = False

    def __init__(self, file: Path) -> None:
        self._file = file

    def now(self) -> datetime:
        try:
            shift_s = float(self._file.read_text())
        except (FileNotFoundError, ValueError):
            shift_s = 0.0
        return datetime.now(UTC) + timedelta(seconds=shift_s)


def say(number: int) -> None:
    """Say how many came, so that a test can strike in the middle."""
    # One write: two threads that print at once would tear each other's lines.
    os.write(sys.stdout.fileno(), f"{number}\n".encode())


def instant(body: dict[str, object]) -> object:
    """The instant of a payload; halves of readings name it otherwise."""
    return body.get("at", body.get("ts"))


def keep_books(intake: Intake, file: Path) -> None:
    """Write down what is acknowledged, before it is."""
    book = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    offer = intake._connection._offer

    def noted(arrival: Arrival, wait_s: float) -> bool:
        def acknowledge() -> None:
            # The kill may cut a line short: a whole one ends in a full stop, the next begins anew.
            line = f"\n{arrival.topic} {instant(json.loads(arrival.payload))} ."
            os.write(book, line.encode())
            arrival.acknowledge()

        return offer(arrival._replace(acknowledge=acknowledge), wait_s)

    intake._connection._offer = noted


def main() -> None:
    url, folder = sys.argv[1], Path(sys.argv[2])
    store_db.BUSY_TIMEOUT_MS = int(os.environ.get("BUSY_TIMEOUT_MS", store_db.BUSY_TIMEOUT_MS))
    database = Database(database_url(folder, os.environ.get("BOOTHGLASS_DATABASE_URL")))
    database.upgrade()
    settler = Settler.of_one(database, on_settled=lambda _: None, busy=lambda: intake.flooded)

    def told(recorded: Recorded) -> None:
        settler.wake()
        say(recorded.new)

    clock = ShiftedClock(folder.parent / "clock-shift")
    intake = Intake(parse_mqtt_url(url), database, clock, folder, on_recorded=told)
    keep_books(intake, folder.parent / "acknowledged")
    settler.start()
    intake.start()
    subscribed = False
    health = folder.parent / "health.json"
    while True:
        if not subscribed and intake.wait_connected(0):
            subscribed = True
            say(0)  # the broker knows the session from here on
        draft = health.with_suffix(".new")
        draft.write_text(json.dumps(intake.health(), default=str))
        draft.replace(health)
        time.sleep(0.05)


if __name__ == "__main__":
    main()
