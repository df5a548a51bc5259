"""How often something is done for each of many shops: soon where something happened, or seldom."""

from __future__ import annotations

import time
from typing import NamedTuple

__all__ = ["AT_EVERY_TURN", "OF_MANY", "Due", "Pace"]


class Pace(NamedTuple):
    """Real seconds between two times: where nothing happened, and where something did."""

    every_s: float
    least_s: float


AT_EVERY_TURN = Pace(0.0, 0.0)
OF_MANY = Pace(60.0, 5.0)
"""With many shops, looking at each of them at every reading would cost more than all the rest."""


class Due:
    """Whether it is time again; :meth:`wake` may be called by any thread."""

    def __init__(self) -> None:
        self._last, self._woken = float("-inf"), True

    def wake(self) -> None:
        """Say that something happened."""
        self._woken = True

    def now(self, pace: Pace) -> bool:
        """Whether it is time; if so, it counts as done."""
        at = time.monotonic()
        if at - self._last < (pace.least_s if self._woken else pace.every_s):
            return False
        # What happens while it is being done wakes it once more.
        self._last, self._woken = at, False
        return True
