"""Workers in this process, on PostgreSQL and Mosquitto: quick to start, real in all they do."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from pathlib import Path

import databases
import pytest
from equipment import Mosquitto, eventually

from service.settings import Settings
from service.store.db import Database
from service.worker.making import make_worker
from service.worker.worker import Worker

Make = Callable[[], Worker]


@pytest.fixture
def settings(tmp_path: Path, mosquitto: Mosquitto) -> Settings:
    data = tmp_path / "shared"
    data.mkdir()
    name = "work" + hashlib.sha256(str(tmp_path).encode()).hexdigest()[:16]
    made = Settings(
        data=data,
        database_url=databases.on_server(name),
        mqtt_url=mosquitto.url,
        sign_in="off",
        zone="UTC",
        tick_s=0.2,
    )
    db = Database(str(made.database_url))
    db.upgrade()
    db.dispose()
    return made


@pytest.fixture
def make(settings: Settings) -> Iterator[Make]:
    """Return what starts a worker beside those that run."""
    running: list[Worker] = []

    def start() -> Worker:
        worker = make_worker(settings)
        worker.start()
        running.append(worker)
        eventually(lambda: worker.lines.connected, what="its session stands")
        eventually(lambda: worker.wire.problem is None, what="it hears the others")
        return worker

    yield start
    for worker in running:
        if worker.running:
            worker.stop()
