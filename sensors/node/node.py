"""The node at work: a turn each interval in this thread, the way to the broker in another."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable

from sensors.node.buffer import Buffer
from sensors.node.clock import Clock
from sensors.node.forwarder import Forwarder, Route
from sensors.node.sampler import Outcome, Sampler, Source
from sensors.node.settings import Settings

__all__ = ["run"]

log = logging.getLogger(__name__)

ALIVE_EVERY_S = 5.0
STOP_WITHIN_S = 5.0
TELL_EVERY_S = 3600.0


def run(
    wanted: Settings,
    source: Source,
    clock: Clock,
    stop: threading.Event,
    tell: Callable[[str], None],
) -> int:
    """Measure and forward until ``stop`` is set; return the exit code.

    Neither a bus nor a broker that is away ends it. Raises StorageError if the buffer cannot be
    opened at the start.
    """

    def open_buffer() -> Buffer:
        return Buffer(wanted.buffer, wanted.most_rows, wanted.longest_s)

    buffer = open_buffer()
    sampler = Sampler(source, buffer, clock, wanted.heating)
    forwarder = Forwarder(Route(wanted.broker, wanted.topic, wanted.most_per_s), open_buffer, stop)
    forwarder.start()
    tell("READY=1")
    log.info(
        "chip=%s topic=%s broker=%s interval_s=%g buffer=%s waiting=%d",
        wanted.chip.chip,
        wanted.topic,
        wanted.broker,
        wanted.interval_s,
        wanted.buffer,
        buffer.counts().waiting,
    )
    try:
        _turns(wanted.interval_s, sampler, forwarder, buffer, stop, tell)
    finally:
        stop.set()
        forwarder.look()
        tell("STOPPING=1")
        sampler.close()
        forwarder.join(STOP_WITHIN_S)
        buffer.close()
    return 0


def _turns(
    interval_s: float,
    sampler: Sampler,
    forwarder: Forwarder,
    buffer: Buffer,
    stop: threading.Event,
    tell: Callable[[str], None],
) -> None:
    due_s = told_s = time.monotonic()
    while not stop.is_set():
        if sampler.turn() is Outcome.KEPT:
            forwarder.look()
        due_s += interval_s
        # After a long halt (a laptop's lid, a slow card) go on from now, not in a burst.
        due_s = max(due_s, time.monotonic())
        while not stop.wait(min(ALIVE_EVERY_S, max(0.0, due_s - time.monotonic()))):
            if not forwarder.is_alive():
                raise RuntimeError("the way to the broker has ended, see above")
            tell("WATCHDOG=1")
            if time.monotonic() >= due_s:
                break
        if time.monotonic() - told_s >= TELL_EVERY_S:
            told_s = time.monotonic()
            counts = buffer.counts()
            log.info(
                "waiting=%d without_time=%d given_up=%d never_dated=%d",
                counts.waiting,
                counts.undated,
                counts.dropped,
                counts.undatable,
            )
