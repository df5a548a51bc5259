"""The quality of readings: what is wrong with each, seen from itself and those around it.

A flag depends only on readings of the sensor and of its mates (the other sensors of the place)
within ``REACH_BACK_S`` before and ``REACH_AHEAD_S`` after it, and on nothing else: judged again in
a window, or after late readings came in, the same readings get the same flags.

``limits`` holds every threshold with its basis; ``values``, ``clocks`` and ``comparisons`` the
judgements. Imports ``science`` and NumPy only.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from service.shop.quality.clocks import clock_drifting, clock_wrong
from service.shop.quality.comparisons import battery_low, disagrees, jumped
from service.shop.quality.course import NAMES, NOT_COUNTED, WORDS, Course, Flag, names_of, words_of
from service.shop.quality.limits import REACH_AHEAD_S, REACH_BACK_S
from service.shop.quality.values import out_of_range, spiking, stuck, too_fast

__all__ = [
    "NAMES",
    "NOT_COUNTED",
    "REACH_AHEAD_S",
    "REACH_BACK_S",
    "WORDS",
    "Course",
    "Flag",
    "flags_of",
    "names_of",
    "words_of",
]


def flags_of(
    course: Course, mates: Sequence[Course] = (), *, first_s: float | None = None
) -> NDArray[np.int64]:
    """Return the flags of each reading of a course.

    Parameters
    ----------
    course : Course
        Readings of one sensor, oldest first.
    mates : sequence of Course
        The other sensors of the same place, over the same time.
    first_s : float, optional
        Only readings from this instant on are wanted; earlier ones are context.

    Returns
    -------
    array of int64
        Bits of :class:`Flag`, one value for each reading wanted; 0 where nothing is wrong.
    """
    flags = np.zeros(course.time_s.size, dtype=np.int64)
    if course.time_s.size:
        for flag, marked in (
            (Flag.RANGE, out_of_range(course)),
            (Flag.RATE, too_fast(course)),
            (Flag.STUCK, stuck(course, mates)),
            (Flag.SPIKE, spiking(course)),
            (Flag.JUMP, jumped(course)),
            (Flag.CLOCK, clock_wrong(course)),
            (Flag.DRIFT, clock_drifting(course)),
            (Flag.DISAGREES, disagrees(course, mates)),
            (Flag.BATTERY, battery_low(course)),
        ):
            flags[marked] |= int(flag)
    if first_s is None:
        return flags
    return flags[int(np.searchsorted(course.time_s, first_s, side="left")) :]
