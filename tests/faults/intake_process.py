"""The intake as a process of its own, to be killed: ``python intake_process.py URL FOLDER``."""

from __future__ import annotations

import sys
import threading
from pathlib import Path

from service.clock import WallClock
from service.intake.client import Intake
from service.settings import parse_mqtt_url
from service.store.db import Database, sqlite_url
from service.store.readings import Recorded


def told(recorded: Recorded) -> None:
    """Say how many came, so that a test can strike in the middle."""
    say(recorded.new)


def say(number: int) -> None:
    print(number, flush=True)


def main() -> None:
    url, folder = sys.argv[1], Path(sys.argv[2])
    database = Database(sqlite_url(folder))
    database.upgrade()
    intake = Intake(parse_mqtt_url(url), database, WallClock(), folder, on_recorded=told)
    intake.start()
    intake.wait_connected(30)
    say(0)  # subscribed: the broker knows the session from here on
    threading.Event().wait()


if __name__ == "__main__":
    main()
