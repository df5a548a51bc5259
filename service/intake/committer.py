"""From messages to rows: batches, one commit for each shop, and only then the acknowledgements."""

from __future__ import annotations

import logging
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sensors.payloads import PayloadError
from service.clock import Clock
from service.intake.arrivals import Arrival
from service.intake.check import refusals
from service.intake.inbox import Inbox, Inboxes
from service.intake.rates import Rates
from service.intake.sorter import Sorted
from service.intake.waiting import Waiting
from service.shop.said import say
from service.store import readings, rejects
from service.store.db import blames_data
from service.store.readings import Recorded
from service.store.tables import Reject
from service.store.wire import RECORDED, announce

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
    unknown: int = 0
    """Messages for a shop that is not there."""


class Committer:
    """Takes arrivals in batches, commits, acknowledges; tries for ever what it cannot commit.

    Parameters
    ----------
    inboxes : Inboxes
        Who takes which messages apart, and where they are kept; those that wait in a sorter are
        left unacknowledged.
    on_recovered : callable
        Told when commits succeed again after a failure, before anything is acknowledged.
    on_lost : callable
        Told when an error nobody foresaw made a batch fall out of our hands: the broker still has
        it, and sends it again on a new connection.
    """

    def __init__(
        self,
        inboxes: Inboxes,
        clock: Clock,
        *,
        on_recovered: Callable[[], None],
        on_lost: Callable[[], None] = lambda: None,
    ) -> None:
        self.counters, self.rates = Counters(), Rates()
        self.restarts = 0
        self.flooded = False
        """Whether so much comes that whatever can wait should."""
        self.problem: str | None = None
        self.last_error: str | None = None
        self.last_commit_at: datetime | None = None
        self._inboxes, self._clock = inboxes, clock
        self._on_recovered, self._on_lost = on_recovered, on_lost
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
        self.rates.count(arrival.topic)
        return True

    @property
    def waiting(self) -> int:
        """Messages not yet committed."""
        return len(self._arrivals)

    def health(
        self,
        *,
        connected: bool,
        cut_off: Iterable[str | None],
        halves: int,
        dropped: int,
        reconnects: int,
        restarts: int,
        others: Iterable[str],
    ) -> dict[str, Any]:
        """Counters since the start, and under ``problems`` why readings may not be arriving.

        Parameters
        ----------
        connected, dropped, reconnects, restarts
            How the connections are that messages come by.
        cut_off, others : iterable of str
            Why there is none of them, and whatever else is wrong.
        halves : int
            Messages that wait for their other half.
        """
        problems = [say("no connection to the broker: {why}", why=why) for why in cut_off]
        if self.problem is not None:
            problems.append(say("readings cannot be kept: {why}", why=self.problem))
        return {
            "connected": connected,
            "waiting": self.waiting,
            "waiting_for_other_half": halves,
            "last_commit_at": self.last_commit_at,
            **vars(self.counters),
            "dropped": dropped,
            "reconnects": reconnects,
            "worker_restarts": self.restarts + restarts,
            "last_error": self.last_error,
            "problems": [*problems, *others],
        }

    # -- the committing thread -------------------------------------------------------------

    def _supervise(self) -> None:
        """Keep the loop alive: an error nobody foresaw costs a restart, not readings."""
        while not self._stopping.is_set():
            try:
                self._work_off(self._by_inbox(self._next_batch()))
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

    def _by_inbox(self, batch: Sequence[Arrival]) -> list[tuple[Inbox, Sorted]]:
        """Take a batch apart, shop by shop, and whatever of earlier ones has waited long enough."""
        by_inbox: dict[Inbox, list[Arrival]] = {inbox: [] for inbox in self._inboxes.waiting()}
        for arrival in batch:
            found = self._inboxes.of(arrival.topic)
            if found is None:  # the shop was closed while the message was under way
                self.counters.unknown += 1
                arrival.acknowledge()
                continue
            inbox, topic = found
            by_inbox.setdefault(inbox, []).append(arrival._replace(topic=topic))
        now = self._clock.now()
        return [(inbox, inbox.sorter.sort(some, now)) for inbox, some in by_inbox.items()]

    def _work_off(self, sorted_out: Sequence[tuple[Inbox, Sorted]]) -> None:
        """Commit and acknowledge shop by shop; one that cannot be kept now waits for the others."""
        left, delay_s = deque(sorted_out), RETRY_FIRST_S
        in_vain = 0
        while left:
            inbox, found = left.popleft()
            if not found or self._committed(inbox, found):
                for arrival in found.done:
                    arrival.acknowledge()
                in_vain = 0
                continue
            left.append((inbox, found))
            in_vain += 1
            if in_vain >= len(left):  # each of them, one after the other
                if self._stopping.wait(delay_s):
                    return
                in_vain, delay_s = 0, min(2 * delay_s, RETRY_MOST_S)

    def _committed(self, inbox: Inbox, found: Sorted) -> bool:
        """Commit; False where the database is not able to now."""
        try:
            self._commit(inbox, found)
        except Exception as error:
            self.problem = self.last_error = f"{type(error).__name__}: {error}"
            if not blames_data(error):
                log.warning("commit failed, to be tried again: %s", error)
                return False
            log.exception("a batch of %d cannot be kept as it is", len(found))
            return self._one_by_one(inbox, found, error)
        self._recover()
        return True

    def _one_by_one(self, inbox: Inbox, found: Sorted, error: Exception) -> bool:
        """Find the message that no database takes, and keep it as a reject."""
        if len(found) > 1:
            for one in list(found.one_by_one()):
                if not self._committed(inbox, one):
                    return False  # what is kept by now is left out when the rest is tried again
                found.leave_out(one)
            return True
        (arrival,) = [arrival for _, arrival in found.good] or [arrival for arrival, _ in found.bad]
        reason = f"could not be recorded: {type(error).__name__}"
        try:
            with inbox.db.write() as session:
                rejects.keep(session, _reject(arrival, PayloadError("payload", reason)))
        except Exception as other:  # noqa: BLE001 -- kept as a problem, and tried again
            self.problem = self.last_error = f"{type(other).__name__}: {other}"
            return False
        self.counters.rejected += 1
        self._recover()
        return True

    def _commit(self, inbox: Inbox, found: Sorted) -> None:
        bad = list(found.bad)
        with inbox.db.write() as session:
            recorded = readings.record_batch(session, [reading for reading, _ in found.good])
            bad += [(found.good[index][1], error) for index, error in refusals(recorded)]
            for arrival, error in bad:
                rejects.keep(session, _reject(arrival, error))
            if recorded.new:
                announce(session, RECORDED)
        self.counters.recorded += recorded.new
        self.counters.duplicates += recorded.duplicates
        self.counters.rejected += len(bad)
        if recorded.new:
            self._tell(inbox, recorded)

    def _tell(self, inbox: Inbox, recorded: Recorded) -> None:
        try:
            inbox.on_recorded(recorded)
        except Exception as error:
            # The readings are kept; whoever wanted to know asks again at the next ones.
            self.last_error = f"{type(error).__name__}: {error}"
            log.exception("a listener to new readings failed")

    def _recover(self) -> None:
        self.last_commit_at = self._clock.now()
        if self.problem is not None:
            self.problem = None
            self._on_recovered()


def _reject(arrival: Arrival, error: PayloadError) -> Reject:
    return Reject(
        received_at=arrival.received_at,
        topic=arrival.topic,
        size_bytes=arrival.size_bytes,
        payload=arrival.payload[: rejects.KEPT_BYTES],
        field=error.field,
        reason=error.reason,
    )
