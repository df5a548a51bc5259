"""Brings the measurements of the buffer to the broker, oldest first, at a bounded rate."""

from __future__ import annotations

import contextlib
import logging
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from sensors.node.buffer import Buffer, Kept, StorageError
from sensors.payloads import encode
from sensors.publish import Broker, Publisher, PublishError

__all__ = ["Forwarder", "Route", "instant_of", "payload_of"]

log = logging.getLogger(__name__)

BATCH = 20
LOOK_EVERY_S = 1.0
GIVE_UP_AFTER_S = 120.0
"""Longer than the publisher's own attempts to reconnect; then it is made anew."""
FIRST_BACK_OFF_S, LONGEST_BACK_OFF_S = 1.0, 30.0

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True)
class Route:
    """Where to, under which topic, and at most how many a second."""

    broker: Broker
    topic: str
    most_per_s: float


def instant_of(ms: int) -> datetime:
    """Return the instant of milliseconds since 1970."""
    return EPOCH + timedelta(milliseconds=ms)


def payload_of(kept: Kept) -> bytes:
    """Return a measurement in our JSON."""
    return encode(
        air_c=kept.air_c,
        rh_pct=kept.rh_pct,
        at=instant_of(kept.at_ms),
        pressure_pa=kept.pressure_pa,
    )


class Forwarder(threading.Thread):
    """A thread of its own, until ``stop`` is set; a broker that is away never ends it.

    Parameters
    ----------
    route : Route
        Where to.
    open_buffer : callable
        Opens the buffer, in this thread.
    stop : Event
        Ends it.
    """

    def __init__(
        self, route: Route, open_buffer: Callable[[], Buffer], stop: threading.Event
    ) -> None:
        super().__init__(name="forwarder", daemon=True)
        self._route, self._open_buffer, self._stop_asked = route, open_buffer, stop
        self._wanted = threading.Event()

    def look(self) -> None:
        """Say that there is something new in the buffer."""
        self._wanted.set()

    def run(self) -> None:
        """Connect and forward; after a failure wait, a little longer each time, and begin again."""
        back_off_s = FIRST_BACK_OFF_S
        told = ""
        while not self._stop_asked.is_set():
            try:
                with _connected(self._route.broker) as publisher:
                    log.info("broker=%s is reached", self._route.broker)
                    back_off_s, told = FIRST_BACK_OFF_S, ""
                    self._forward(publisher)
            except (PublishError, StorageError) as error:
                if str(error) != told:
                    told = str(error)
                    log.warning("%s; what is measured waits", told)
                self._stop_asked.wait(back_off_s)
                back_off_s = min(2 * back_off_s, LONGEST_BACK_OFF_S)

    def _forward(self, publisher: Publisher) -> None:
        buffer = self._open_buffer()
        try:
            while not self._stop_asked.is_set():
                self._wanted.clear()
                waiting = buffer.oldest(BATCH)
                if not waiting:
                    self._wanted.wait(LOOK_EVERY_S)
                    continue
                begun_s = time.monotonic()
                for kept in waiting:
                    publisher.publish(self._route.topic, payload_of(kept))
                if not self._acknowledged(publisher):
                    return
                buffer.forget(waiting)
                due_s = begun_s + len(waiting) / self._route.most_per_s
                self._stop_asked.wait(max(0.0, due_s - time.monotonic()))
        finally:
            buffer.close()

    def _acknowledged(self, publisher: Publisher) -> bool:
        """Wait for the broker; False where we are to stop first."""
        begun_s = time.monotonic()
        while not self._stop_asked.is_set():
            try:
                publisher.wait(timeout_s=LOOK_EVERY_S)
            except PublishError:
                if time.monotonic() - begun_s > GIVE_UP_AFTER_S:
                    raise
            else:
                return True
        return False


@contextlib.contextmanager
def _connected(broker: Broker) -> Iterator[Publisher]:
    """Give a publisher that is closed without waiting: the buffer has what is still under way."""
    publisher = Publisher(broker)
    publisher.connect()
    try:
        yield publisher
    finally:
        publisher.close()
