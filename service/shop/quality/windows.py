"""Windows of time along a course, and the least and greatest within each.

Nothing here sums: a window's answer must be the same to the last bit whatever lies around it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["Least", "last_where", "since", "until"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


def since(time_s: Floats, back_s: float) -> Ints:
    """Return for each reading the first index that is no more than ``back_s`` before it."""
    return np.searchsorted(time_s, time_s - back_s, side="left").astype(np.int64)


def until(time_s: Floats, ahead_s: float) -> Ints:
    """Return for each reading the first index that is more than ``ahead_s`` after it."""
    return np.searchsorted(time_s, time_s + ahead_s, side="right").astype(np.int64)


def last_where(condition: Bools, none: int = -1) -> Ints:
    """Return for each place the last index up to it where the condition holds."""
    index = np.arange(condition.size, dtype=np.int64)
    return np.maximum.accumulate(np.where(condition, index, none))


class Least:
    """The least value within any window: a table of the least over powers of two.

    Bender and Farach-Colton (2000), "The LCA problem revisited": the sparse table.
    """

    def __init__(self, values: Floats) -> None:
        levels = [values]
        width = 1
        while 2 * width <= values.size:
            last = levels[-1]
            reached = last.copy()
            reached[: last.size - width] = np.minimum(last[:-width], last[width:])
            levels.append(reached)
            width *= 2
        self._table = np.stack(levels)

    def within(self, start: Ints, stop: Ints) -> Floats:
        """Return the least of ``values[start:stop]`` for each window; inf where it is empty."""
        length = stop - start
        some = length > 0
        level = np.frexp(np.maximum(length, 1).astype(np.float64))[1] - 1
        first = np.minimum(start, self._table.shape[1] - 1)
        second = np.maximum(stop - (1 << level.astype(np.int64)), 0)
        found = np.minimum(self._table[level, first], self._table[level, second])
        return np.where(some, found, np.inf)
