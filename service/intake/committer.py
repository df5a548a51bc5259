"""From messages to rows: batches, one commit each, and only then the acknowledgements."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime

from sensors.payloads import PayloadError
from service.clock import Clock
from service.intake.arrivals import Arrival
from service.intake.check import refusals
from service.intake.sorter import Sorted, Sorter
from service.intake.waiting import Waiting
from service.store import readings, rejects
from service.store.db import Database, blames_data
from service.store.readings import Recorded
from service.store.tables import Reject

__all__ = ["Committer", "Counters"]

BATCH_MOST = 500
BATCH_WAIT_S = 0.1
"""A batch is closed this long after its first message came up ..."""
BATCH_LULL_S = 0.01
"""... or as soon as nothing more has come for this long."""

IDLE_S = 0.2
FLOOD = 200
"""Messages in one batch, far more than sensors send unless a backlog is being handed on."""

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


class Committer:
    """Takes arrivals in batches, commits, acknowledges; tries for ever what it cannot commit.

    Parameters
    ----------
    sorter : Sorter
        Takes the messages apart; those that wait in it are left unacknowledged.
    on_recorded : callable
        Told after each commit that brought something new, from the committing thread.
    on_recovered : callable
        Told when commits succeed again after a failure, before anything is acknowledged.
    on_lost : callable
        Told when an error nobody foresaw made a batch fall out of our hands: the broker still has
        it, and sends it again on a new connection.
    """

    def __init__(
        self,
        db: Database,
        clock: Clock,
        sorter: Sorter,
        *,
        on_recorded: Callable[[Recorded], None],
        on_recovered: Callable[[], None],
        on_lost: Callable[[], None] = lambda: None,
    ) -> None:
        self.counters = Counters()
        self.restarts = 0
        self.flooded = False
        """Whether so much comes that whatever can wait should."""
        self.problem: str | None = None
        self.last_error: str | None = None
        self.last_commit_at: datetime | None = None
        self._db, self._clock, self._sorter = db, clock, sorter
        self._on_recorded, self._on_recovered = on_recorded, on_recovered
        self._on_lost = on_lost
        self._arrivals = Waiting(WAITING_MOST)
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
        # In short waits, so that stopping need not wait for room.
        while not self._arrivals.put(arrival, min(0.2, max(0.0, until - time.monotonic()))):
            if time.monotonic() >= until or self._stopping.is_set():
                return False
        self.counters.received += 1
        return True

    @property
    def waiting(self) -> int:
        """Messages not yet committed."""
        return len(self._arrivals)

    # -- the committing thread -------------------------------------------------------------

    def _supervise(self) -> None:
        """Keep the loop alive: an error nobody foresaw costs a restart, not readings."""
        while not self._stopping.is_set():
            try:
                found = self._sorter.sort(self._next_batch(), self._clock.now())
                if not found or self._commit_until_done(found):
                    self._acknowledge(found.done)
            except Exception as error:
                self.restarts += 1
                self.problem = self.last_error = f"{type(error).__name__}: {error}"
                log.exception("intake worker restarts")
                self._on_lost()
                self._stopping.wait(RETRY_FIRST_S)

    def _next_batch(self) -> list[Arrival]:
        batch = self._arrivals.take(
            BATCH_MOST, idle_s=IDLE_S, lull_s=BATCH_LULL_S, longest_s=BATCH_WAIT_S
        )
        self.flooded = len(batch) >= FLOOD
        return batch

    def _commit_until_done(self, found: Sorted) -> bool:
        """Commit, again and again if need be; False only when stopping."""
        delay_s = RETRY_FIRST_S
        while True:
            try:
                self._commit(found)
            except Exception as error:
                self.problem = self.last_error = f"{type(error).__name__}: {error}"
                if blames_data(error):
                    log.exception("a batch of %d cannot be kept as it is", len(found))
                    return self._one_by_one(found, error)
                log.warning("commit failed, next try in %.1f s: %s", delay_s, error)
            else:
                self._recover()
                return True
            if self._stopping.wait(delay_s):
                return False
            delay_s = min(2 * delay_s, RETRY_MOST_S)

    def _one_by_one(self, found: Sorted, error: Exception) -> bool:
        """Find the message that no database takes, and keep it as a reject."""
        if len(found) > 1:
            return all(self._commit_until_done(one) for one in found.one_by_one())
        (arrival,) = [arrival for _, arrival in found.good] or [arrival for arrival, _ in found.bad]
        reason = f"could not be recorded: {type(error).__name__}"
        with self._db.write() as session:
            rejects.keep(session, _reject(arrival, PayloadError("payload", reason)))
        self.counters.rejected += 1
        self._recover()
        return True

    def _commit(self, found: Sorted) -> None:
        bad = list(found.bad)
        with self._db.write() as session:
            recorded = readings.record_batch(session, [reading for reading, _ in found.good])
            bad += [(found.good[index][1], error) for index, error in refusals(recorded)]
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


def _reject(arrival: Arrival, error: PayloadError) -> Reject:
    return Reject(
        received_at=arrival.received_at,
        topic=arrival.topic,
        size_bytes=arrival.size_bytes,
        payload=arrival.payload[: rejects.KEPT_BYTES],
        field=error.field,
        reason=error.reason,
    )
