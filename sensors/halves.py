"""Readings out of halves: air and humidity that come in messages of their own.

Two halves of one sensor become one reading, at the later one's instant:

- at once, where neither was used yet and they lie at most :data:`NEAR` apart: one burst;
- else, after a half has waited for :data:`NEAR`, with the nearest half of the other kind that lies
  at most :data:`SPAN` away, used before or not: many sensors send only what has changed;
- and a half that found none within :data:`SPAN` of its coming is given back with the reason, or
  earlier where too many wait; then it is still remembered for the rest of the span.

Surface, pressure and battery never wait: the latest one, not older than :data:`LASTING` says, goes
with the next reading.

What waits and what is remembered is bounded, however many sensors there seem to be.
"""

from __future__ import annotations

import itertools
from collections import OrderedDict
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Generic, TypeVar

from sensors.wire import PayloadError, Report, report

__all__ = ["LASTING", "NEAR", "SPAN", "WAITING_MOST", "Half", "Joiner", "Outcome"]

SPAN = timedelta(seconds=120)
"""Halves further apart than this are not of one air; also how long a half waits for its other."""

NEAR = timedelta(seconds=5)
"""Halves as near as this are of one burst."""

LASTING = {
    "surface_c": SPAN,
    "pressure_pa": timedelta(hours=1),
    "battery_pct": timedelta(hours=24),
}
"""How long a value that came by itself may go with the readings that follow it."""

OTHER = {"air_c": "rh_pct", "rh_pct": "air_c"}

WAITING_MOST = 500
"""Messages that may wait for their other half, where the broker sends as many ahead."""

REMEMBERED_MOST = 2000
STREAMS_MOST = 1000

_Token = TypeVar("_Token")


@dataclass(frozen=True)
class Half:
    """One quantity of one sensor at one instant, in our unit."""

    place: str
    sensor: str
    at: datetime
    quantity: str
    value: float
    timed: bool


@dataclass(frozen=True)
class Outcome(Generic[_Token]):
    """A reading, or why there is none; and the messages that are done with by it.

    ``tokens`` names with each message the quantity it brought.
    """

    result: Report | PayloadError | None
    tokens: tuple[tuple[str, _Token], ...]


@dataclass(eq=False)
class _Kept(Generic[_Token]):
    """A half that waits (with its messages), was used, or both no more: remembered."""

    half: Half
    come_at: datetime
    tokens: list[_Token]
    used: bool = False


@dataclass
class _Stream(Generic[_Token]):
    halves: list[_Kept[_Token]] = field(default_factory=list)
    lasting: dict[str, Half] = field(default_factory=dict)


class Joiner(Generic[_Token]):
    """Joins halves; a token stands for the message that a half came in.

    Every token that is taken is given back exactly once, by :meth:`take` or by :meth:`due`.
    """

    def __init__(self) -> None:
        self.waiting_most = WAITING_MOST
        self._streams: OrderedDict[tuple[str, str], _Stream[_Token]] = OrderedDict()
        self._waiting = 0
        self._remembered = 0

    @property
    def waiting(self) -> int:
        """How many messages wait for their other half."""
        return self._waiting

    def take(self, half: Half, token: _Token, now: datetime) -> list[Outcome[_Token]]:
        """Take one half that came now, and return what is done with by it."""
        stream = self._stream(half)
        if half.quantity in LASTING:
            last = stream.lasting.get(half.quantity)
            if last is None or half.at >= last.at:
                stream.lasting[half.quantity] = half
            return [Outcome(None, ((half.quantity, token),))]
        again = next((k for k in stream.halves if k.tokens and k.half == half), None)
        if again is not None:
            again.tokens.append(token)
            self._waiting += 1
            return list(self._too_many())
        kept = _Kept(half, now, [token])
        near = [
            k for k in stream.halves
            if not k.used and k.half.quantity == OTHER[half.quantity] and _apart(k, kept) <= NEAR
        ]  # fmt: skip
        stream.halves.append(kept)
        self._waiting += 1
        self._remembered += 1
        done = []
        if near:
            done.append(self._join(stream, kept, min(near, key=lambda k: _apart(k, kept))))
        return [*done, *self._too_many()]

    def due(self, now: datetime) -> list[Outcome[_Token]]:
        """Return what has waited long enough, and forget what is too old to be joined."""
        done: list[Outcome[_Token]] = []
        for key, stream in list(self._streams.items()):
            for kept in [k for k in stream.halves if k.tokens]:
                waited = now - kept.come_at
                if not kept.tokens or waited < NEAR:  # joined a moment ago, or new
                    continue
                if (other := self._nearest(stream, kept)) is not None:
                    done.append(self._join(stream, kept, other))
                elif waited >= SPAN:
                    done.append(self._give_back(kept, _alone(kept.half)))
            for kept in [k for k in stream.halves if not k.tokens and now - k.come_at >= SPAN]:
                stream.halves.remove(kept)
                self._remembered -= 1
            if not stream.halves and not stream.lasting:
                del self._streams[key]
        return done

    # -- inside ----------------------------------------------------------------------------

    def _stream(self, half: Half) -> _Stream[_Token]:
        key = half.place, half.sensor
        stream = self._streams.setdefault(key, _Stream())
        self._streams.move_to_end(key)
        if len(self._streams) > STREAMS_MOST:
            oldest = next((k for k, s in self._streams.items() if not s.halves and k != key), None)
            if oldest is not None:
                del self._streams[oldest]
        return stream

    def _nearest(self, stream: _Stream[_Token], kept: _Kept[_Token]) -> _Kept[_Token] | None:
        others = [
            k for k in stream.halves
            if k.half.quantity == OTHER[kept.half.quantity] and _apart(k, kept) <= SPAN
        ]  # fmt: skip
        return min(others, key=lambda k: _apart(k, kept), default=None)

    def _join(
        self, stream: _Stream[_Token], one: _Kept[_Token], other: _Kept[_Token]
    ) -> Outcome[_Token]:
        at = max(one.half.at, other.half.at)
        values: dict[str, float | None] = {
            quantity: half.value
            for quantity, half in stream.lasting.items()
            if abs(at - half.at) <= LASTING[quantity]
        }
        tokens: list[tuple[str, _Token]] = []
        for kept in (one, other):
            values[kept.half.quantity] = kept.half.value
            tokens += [(kept.half.quantity, token) for token in kept.tokens]
            self._waiting -= len(kept.tokens)
            kept.tokens, kept.used = [], True
        made = report(
            one.half.place,
            one.half.sensor,
            at,
            values,
            timed=one.half.timed and other.half.timed,
        )
        return Outcome(made, tuple(tokens))

    def _give_back(self, kept: _Kept[_Token], why: PayloadError) -> Outcome[_Token]:
        tokens = tuple((kept.half.quantity, token) for token in kept.tokens)
        self._waiting -= len(tokens)
        kept.tokens = []
        return Outcome(why, tokens)

    def _too_many(self) -> Iterator[Outcome[_Token]]:
        """Keep within bounds: the one that waited longest goes, and the oldest that is through."""
        while self._waiting > self.waiting_most:
            _, kept = self._oldest(waiting=True)
            why = PayloadError(
                OTHER[kept.half.quantity],
                f"had not come when {self.waiting_most} more messages waited for their other half",
            )
            yield self._give_back(kept, why)
        while self._remembered > REMEMBERED_MOST:
            stream, kept = self._oldest(waiting=False)
            stream.halves.remove(kept)
            self._remembered -= 1

    def _oldest(self, *, waiting: bool) -> tuple[_Stream[_Token], _Kept[_Token]]:
        every = itertools.chain.from_iterable(
            ((stream, kept) for kept in stream.halves if bool(kept.tokens) is waiting)
            for stream in self._streams.values()
        )
        return min(every, key=lambda pair: pair[1].come_at)


def _apart(one: _Kept[_Token], other: _Kept[_Token]) -> timedelta:
    return abs(one.half.at - other.half.at)


def _alone(half: Half) -> PayloadError:
    return PayloadError(
        OTHER[half.quantity],
        f"did not come within {SPAN.total_seconds():.0f} s of {half.quantity} = {half.value:g}",
    )
