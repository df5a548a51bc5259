"""Instants that name one measurement each, also when the clock is set back.

An instant is put on a grid of a tenth of a second, and its last two digits count the turns: how
often the clock has gone back (or stood). Instants of one turn only ever grow, and those of
different turns differ in these digits; so no two are the same until the clock has been set back a
hundred times.
"""

from __future__ import annotations

from typing import NamedTuple

__all__ = ["GRID_MS", "NO_STAMP", "Stamp", "stamped"]

GRID_MS = 100


class Stamp(NamedTuple):
    """The instant given last, in ms since 1970, and its turn."""

    at_ms: int
    turn: int


NO_STAMP = Stamp(-1, 0)


def stamped(last: Stamp, utc_ms: int) -> Stamp:
    """Return the stamp of a measurement at ``utc_ms``, at most a tenth of a second away from it."""
    cell_ms = utc_ms - utc_ms % GRID_MS
    at_ms = cell_ms + last.turn
    if at_ms > last.at_ms:
        return Stamp(at_ms, last.turn)
    turn = (last.turn + 1) % GRID_MS
    return Stamp(cell_ms + turn, turn)
