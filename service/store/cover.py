"""How a span of time is covered: whole roll-ups where they hold, readings at the ragged edges."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import pairwise
from typing import NamedTuple

__all__ = ["Piece", "cover"]


class Piece(NamedTuple):
    """A stretch (ms since 1970, end not included) and the roll-up that tells it; None: readings."""

    step_s: int | None
    start: int
    end: int


def cover(
    start: int,
    end: int,
    steps_s: Sequence[int],
    *,
    cuts: Iterable[int] = (),
    unsettled: Iterable[tuple[int, int]] = (),
) -> list[Piece]:
    """Cover ``start`` to ``end`` without gap or overlap, with the coarsest roll-ups that hold.

    Parameters
    ----------
    start, end : int
        Milliseconds since 1970, the end not included.
    steps_s : sequence of int
        Spans of the roll-ups that may be used, finest first, each dividing the next.
    cuts : iterable of int
        Instants that no piece may cross, because a correction begins there.
    unsettled : iterable of (int, int)
        Stretches whose roll-ups do not hold; readings are taken there.
    """
    pieces: list[Piece] = []
    for a, b, settled in _stretches(start, end, sorted(unsettled)):
        bounds = [a, *sorted(c for c in set(cuts) if a < c < b), b]
        for lo, hi in pairwise(bounds):
            pieces += _fit(lo, hi, tuple(steps_s) if settled else ())
    return pieces


def _stretches(
    start: int, end: int, unsettled: Sequence[tuple[int, int]]
) -> Iterator[tuple[int, int, bool]]:
    at = start
    for a, b in unsettled:
        lo, hi = max(a, at), min(b, end)
        if lo >= hi:
            continue
        if at < lo:
            yield at, lo, True
        yield lo, hi, False
        at = hi
    if at < end:
        yield at, end, True


def _fit(start: int, end: int, steps_s: tuple[int, ...]) -> list[Piece]:
    if start >= end:
        return []
    if not steps_s:
        return [Piece(None, start, end)]
    step_ms = steps_s[-1] * 1000
    first, last = -(-start // step_ms) * step_ms, end // step_ms * step_ms
    if first >= last:
        return _fit(start, end, steps_s[:-1])
    return [
        *_fit(start, first, steps_s[:-1]),
        Piece(steps_s[-1], first, last),
        *_fit(last, end, steps_s[:-1]),
    ]
