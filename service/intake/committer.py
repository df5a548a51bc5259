"""From messages to rows: batches, one commit each, and only then the acknowledgements."""

from __future__ import annotations

import logging
import queue
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from sensors.payloads import MAX_PAYLOAD_BYTES, PayloadError, decode
from service.clock import Clock
from service.intake.arrivals import Arrival
from service.intake.check import checked
from service.store import readings, rejects
from service.store.db import Database, blames_data
from service.store.readings import NewReading, Recorded
from service.store.tables import Reject

__all__ = ["Committer", "Counters"]

BATCH_MOST = 500
BATCH_WAIT_S = 0.1
"""A batch is closed this long after its first message came up ..."""
BATCH_LULL_S = 0.01
"""... or as soon as nothing more has come for this long."""

WAITING_MOST = 2000
"""Messages held in memory; beyond that the connection has to wait."""

RETRY_FIRST_S, RETRY_MOST_S = 0.2, 10.0

log = logging.getLogger(__name__)


@dataclass
class Counters:
    """What was done since the start."""

    received: int = 0
    recorded: int = 0
    duplicates: int = 0
    rejected: int = 0


@dataclass
class _Sorted:
    """A batch taken apart: readings with the message each came in, and what cannot be used."""

    good: list[tuple[NewReading, Arrival]] = field(default_factory=list)
    bad: list[tuple[Arrival, PayloadError]] = field(default_factory=list)


class Committer:
    """Takes arrivals in batches, commits, acknowledges; tries for ever what it cannot commit.

    Parameters
    ----------
    on_recorded : callable
        Told after each commit that brought something new, from the committing thread.
    on_recovered : callable
        Told when commits succeed again after a failure, before anything is acknowledged.
    """

    def __init__(
        self,
        db: Database,
        clock: Clock,
        *,
        on_recorded: Callable[[Recorded], None],
        on_recovered: Callable[[], None],
    ) -> None:
        self.counters = Counters()
        self.restarts = 0
        self.problem: str | None = None
        self.last_error: str | None = None
        self.last_commit_at: datetime | None = None
        self._db, self._clock = db, clock
        self._on_recorded, self._on_recovered = on_recorded, on_recovered
        self._arrivals: queue.Queue[Arrival] = queue.Queue(WAITING_MOST)
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._supervise, name="intake", daemon=True)

    # -- life ------------------------------------------------------------------------------

    def start(self) -> None:
        """Begin to commit."""
        self._thread.start()

    def stop(self) -> None:
        """Finish the batch under way; what waits is left unacknowledged."""
        self._stopping.set()
        if self._thread.is_alive():
            self._thread.join(timeout=15)

    def offer(self, arrival: Arrival, wait_s: float) -> bool:
        """Take one message into the queue; False where there is no room within ``wait_s``."""
        until = time.monotonic() + wait_s
        while True:
            left_s = until - time.monotonic()
            try:
                # In short waits, so that stopping need not wait for room.
                self._arrivals.put(arrival, timeout=min(0.2, max(0.0, left_s)))
            except queue.Full:
                if left_s <= 0 or self._stopping.is_set():
                    return False
            else:
                self.counters.received += 1
                return True

    @property
    def waiting(self) -> int:
        """Messages not yet committed."""
        return self._arrivals.qsize()

    # -- the committing thread -------------------------------------------------------------

    def _supervise(self) -> None:
        """Keep the loop alive: an error nobody foresaw costs a restart, not readings."""
        while not self._stopping.is_set():
            try:
                batch = self._next_batch()
                if batch and self._commit_until_done(batch):
                    self._acknowledge(batch)
            except Exception as error:
                self.restarts += 1
                self.problem = self.last_error = f"{type(error).__name__}: {error}"
                log.exception("intake worker restarts")
                self._stopping.wait(RETRY_FIRST_S)

    def _next_batch(self) -> list[Arrival]:
        try:
            batch = [self._arrivals.get(timeout=0.2)]
        except queue.Empty:
            return []
        deadline = time.monotonic() + BATCH_WAIT_S
        while len(batch) < BATCH_MOST:
            left_s = min(BATCH_LULL_S, deadline - time.monotonic())
            try:
                batch.append(self._arrivals.get(timeout=max(0.0, left_s)))
            except queue.Empty:
                break
        return batch

    def _commit_until_done(self, batch: Sequence[Arrival]) -> bool:
        """Commit, again and again if need be; False only when stopping."""
        delay_s = RETRY_FIRST_S
        while True:
            try:
                self._commit(batch)
            except Exception as error:
                self.problem = self.last_error = f"{type(error).__name__}: {error}"
                if blames_data(error):
                    log.exception("a batch of %d cannot be kept as it is", len(batch))
                    return self._one_by_one(batch, error)
                log.warning("commit failed, next try in %.1f s: %s", delay_s, error)
            else:
                self._recover()
                return True
            if self._stopping.wait(delay_s):
                return False
            delay_s = min(2 * delay_s, RETRY_MOST_S)

    def _one_by_one(self, batch: Sequence[Arrival], error: Exception) -> bool:
        """Find the message that no database takes, and keep it as a reject."""
        if len(batch) > 1:
            return all(self._commit_until_done([arrival]) for arrival in batch)
        (arrival,) = batch
        reason = f"could not be recorded: {type(error).__name__}"
        with self._db.write() as session:
            rejects.keep(session, _reject(arrival, PayloadError("payload", reason)))
        self.counters.rejected += 1
        self._recover()
        return True

    def _commit(self, batch: Sequence[Arrival]) -> None:
        found = _sorted_out(batch)
        bad = list(found.bad)
        with self._db.write() as session:
            recorded = readings.record_batch(session, [reading for reading, _ in found.good])
            too_many = PayloadError(
                "sensor", f"is new, and {readings.MOST_SENSORS} are known: too many for a shop"
            )
            bad += [(found.good[index][1], too_many) for index in recorded.refused]
            for arrival, error in bad:
                rejects.keep(session, _reject(arrival, error))
        self.counters.recorded += recorded.new
        self.counters.duplicates += recorded.duplicates
        self.counters.rejected += len(bad)
        if recorded.new:
            self._tell(recorded)

    def _tell(self, recorded: Recorded) -> None:
        try:
            self._on_recorded(recorded)
        except Exception as error:
            # The readings are kept; whoever wanted to know asks again at the next ones.
            self.last_error = f"{type(error).__name__}: {error}"
            log.exception("a listener to new readings failed")

    def _recover(self) -> None:
        self.last_commit_at = self._clock.now()
        if self.problem is not None:
            self.problem = None
            self._on_recovered()

    def _acknowledge(self, batch: Sequence[Arrival]) -> None:
        for arrival in batch:
            arrival.acknowledge()


def _sorted_out(batch: Sequence[Arrival]) -> _Sorted:
    found = _Sorted()
    for arrival in batch:
        if arrival.size_bytes > MAX_PAYLOAD_BYTES:
            size = f"{arrival.size_bytes} bytes; {MAX_PAYLOAD_BYTES} at most"
            found.bad.append((arrival, PayloadError("payload", size)))
            continue
        try:
            reports = decode(arrival.topic, arrival.payload, arrival.received_at)
        except PayloadError as error:
            found.bad.append((arrival, error))
            continue
        except Exception as error:
            # A fault of ours; it must not hold up whatever comes behind it.
            log.exception("the decoder failed on a message of %s", arrival.topic)
            reason = f"could not be read: {type(error).__name__}"
            found.bad.append((arrival, PayloadError("payload", reason)))
            continue
        for report in reports:
            try:
                reading = checked(report, now=arrival.received_at, waited=arrival.waited)
            except PayloadError as error:
                found.bad.append((arrival, error))
            else:
                found.good.append((reading, arrival))
    return found


def _reject(arrival: Arrival, error: PayloadError) -> Reject:
    return Reject(
        received_at=arrival.received_at,
        topic=arrival.topic,
        size_bytes=arrival.size_bytes,
        payload=arrival.payload[: rejects.KEPT_BYTES],
        field=error.field,
        reason=error.reason,
    )
