"""Workers in the process of the tests: quick to start, real in all they do."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta

from equipment import Mosquitto, eventually
from sqlmodel import func, select

from service.settings import Settings
from service.store.tables import Reading
from service.worker.making import make_worker
from service.worker.worker import Worker

__all__ = ["BEGAN", "TOPIC", "Make", "kept", "publish", "starting"]

Make = Callable[[], Worker]
TOPIC = "boothglass/booth/wall"
BEGAN = datetime.now(UTC).replace(microsecond=0) - timedelta(hours=1)


@contextmanager
def starting(settings: Settings) -> Iterator[Make]:
    """Yield what starts a worker beside those that run; all of them are stopped at the end."""
    running: list[Worker] = []

    def start() -> Worker:
        worker = make_worker(settings)
        running.append(worker)
        worker.start()
        eventually(lambda: worker.lines.connected, what="its session stands")
        eventually(lambda: worker.wire.problem is None, what="it hears the others")
        return worker

    try:
        yield start
    finally:
        for worker in running:
            if worker.running:
                worker.stop()


def publish(broker: Mosquitto, first: int, count: int, topic: str = TOPIC) -> None:
    broker.publish(
        topic,
        *[
            {"at": (BEGAN + timedelta(seconds=n)).isoformat(), "air_c": 20.0, "rh_pct": 50.0}
            for n in range(first, first + count)
        ],
    )


def kept(worker: Worker, word: str = "") -> int:
    room = worker.room(word)
    assert room is not None
    with room.db.read() as session:
        return int(session.exec(select(func.count()).select_from(Reading)).one())
