"""Messages taken apart: what can be kept, what cannot and why, and what is done with."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from sensors.halves import WAITING_MOST, Half, Joiner, Outcome
from sensors.payloads import MAX_PAYLOAD_BYTES, PayloadError, Report
from service.intake.arrivals import Arrival
from service.intake.check import checked, checked_half
from service.intake.readers import Readers
from service.store.readings import NewReading

__all__ = ["Sorted", "Sorter"]

log = logging.getLogger(__name__)


@dataclass
class Sorted:
    """Readings with the message to blame for each, and messages that cannot be used.

    ``done`` are the messages to acknowledge as soon as all of it is kept.
    """

    good: list[tuple[NewReading, Arrival]] = field(default_factory=list)
    bad: list[tuple[Arrival, PayloadError]] = field(default_factory=list)
    done: list[Arrival] = field(default_factory=list)

    def __len__(self) -> int:
        """How many rows there are to keep."""
        return len(self.good) + len(self.bad)

    def one_by_one(self) -> Iterator[Sorted]:
        """Yield each reading and each refusal by itself; nothing is done with by one of them."""
        for good in self.good:
            yield Sorted(good=[good])
        for bad in self.bad:
            yield Sorted(bad=[bad])

    def leave_out(self, kept: Sorted) -> None:
        """Forget readings and refusals that are kept by now."""
        self.good = [good for good in self.good if good not in kept.good]
        self.bad = [bad for bad in self.bad if bad not in kept.bad]


@dataclass
class _Message:
    """An arrival that came apart; it is done with when the last of its halves is."""

    arrival: Arrival
    halves: int


class Sorter:
    """Takes messages apart; halves of readings wait in it, unacknowledged, for their other half.

    Parameters
    ----------
    readers : Readers
        Who reads which topic.
    window : callable
        How many unacknowledged messages the broker sends ahead. At most half of them wait, so that
        a sensor whose other half never comes cannot hold up the others.
    """

    def __init__(self, readers: Readers, window: Callable[[], int] = lambda: 2 * WAITING_MOST):
        self._readers, self._window = readers, window
        self._joiner: Joiner[_Message] = Joiner()

    @property
    def waiting(self) -> int:
        """Messages that wait for their other half."""
        return self._joiner.waiting

    def sort(self, batch: Sequence[Arrival], now: datetime) -> Sorted:
        """Take a batch apart, and whatever of earlier ones has waited long enough by now."""
        found = Sorted()
        self._joiner.waiting_most = min(WAITING_MOST, self._window() // 2)
        for arrival in batch:
            try:
                self._take(arrival, found)
            except PayloadError as error:
                _refuse(found, arrival, error)
            except Exception as error:
                # A fault of ours; it must not hold up whatever comes behind it.
                log.exception("the decoder failed on a message of %s", arrival.topic)
                reason = f"could not be read: {type(error).__name__}"
                _refuse(found, arrival, PayloadError("payload", reason))
        for outcome in self._joiner.due(now):
            _settle(outcome, found)
        return found

    def _take(self, arrival: Arrival, found: Sorted) -> None:
        if arrival.size_bytes > MAX_PAYLOAD_BYTES:
            size = f"{arrival.size_bytes} bytes; {MAX_PAYLOAD_BYTES} at most"
            raise PayloadError("payload", size)
        parts = self._readers.decode(arrival.topic, arrival.payload, arrival.received_at)
        if parts is None:  # of a kind that was retired while the message was under way
            found.done.append(arrival)
            return
        halves = [part for part in parts if isinstance(part, Half)]
        for half in halves:
            checked_half(half, now=arrival.received_at, waited=arrival.waited)
        message = _Message(arrival, len(halves))
        for half in halves:
            for outcome in self._joiner.take(half, message, arrival.received_at):
                _settle(outcome, found)
        for part in parts:
            if isinstance(part, Report):
                _check(part, arrival, found)
        if not halves:
            found.done.append(arrival)


def _check(report: Report, arrival: Arrival, found: Sorted) -> None:
    try:
        reading = checked(report, now=arrival.received_at, waited=arrival.waited)
    except PayloadError as error:
        found.bad.append((arrival, error))
    else:
        found.good.append((reading, arrival))


def _refuse(found: Sorted, arrival: Arrival, error: PayloadError) -> None:
    found.bad.append((arrival, error))
    found.done.append(arrival)


def _settle(outcome: Outcome[_Message], found: Sorted) -> None:
    arrivals = [message.arrival for _, message in outcome.tokens]
    if isinstance(outcome.result, PayloadError):
        # The same half sent again is refused once.
        found.bad.append((arrivals[0], outcome.result))
    elif outcome.result is not None:
        # Each half was checked when it came, so here only both together could be wrong.
        last = max(arrivals, key=lambda arrival: arrival.received_at)
        try:
            reading = checked(outcome.result, now=last.received_at)
        except PayloadError as error:
            found.bad.append((last, error))
        else:
            found.good.append((reading, last))
    for _, message in outcome.tokens:
        message.halves -= 1
        if message.halves == 0:
            found.done.append(message.arrival)
