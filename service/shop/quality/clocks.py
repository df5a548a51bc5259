"""Clocks of sensors, judged by how long after its instant a reading was received."""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray

from service.shop.quality import limits as lim
from service.shop.quality.course import Course
from service.shop.quality.windows import Least, since, until

__all__ = ["clock_drifting", "clock_wrong"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


def clock_wrong(course: Course) -> Bools:
    """Ahead of its receipt, or late by one and the same delay for long.

    Readings that waited in a buffer are late too, but each by less than the one before, as the
    buffer empties: that is no fault.
    """
    delay_s = course.received_s - course.time_s
    wrong = delay_s < -lim.CLOCK_AHEAD_S
    late = np.flatnonzero(delay_s > lim.CLOCK_BEHIND_S)
    if late.size >= lim.CLOCK_STEADY_READINGS:
        wrong[late] |= _steady(course.time_s[late], delay_s[late])
    return wrong


def _steady(time_s: Floats, delay_s: Floats) -> Bools:
    index = np.arange(time_s.size, dtype=np.int64)
    few = lim.CLOCK_STEADY_READINGS - 1
    back = np.minimum(since(time_s, lim.CLOCK_STEADY_WINDOW_S), np.maximum(index - few, 0))
    back = np.maximum(back, since(time_s, lim.REACH_BACK_S))
    least, most = Least(delay_s), Least(-delay_s)

    def one_delay(start: Ints, stop: Ints) -> Bools:
        spread_s = -most.within(start, stop) - least.within(start, stop)
        span_s = time_s[stop - 1] - time_s[start]
        shared = (spread_s <= lim.CLOCK_STEADY_S) & (span_s >= lim.CLOCK_STEADY_SPAN_S)
        return np.asarray(shared & (stop - start > few), dtype=np.bool_)

    behind = one_delay(back, index + 1)
    behind |= one_delay(index, until(time_s, lim.REACH_AHEAD_S))
    return behind


def clock_drifting(course: Course) -> Bools:
    """The least delay of the hour grows or shrinks from hour to hour, steadily.

    The least and not the mean: the network only ever adds.
    """
    time_s = course.time_s
    delay_s = course.received_s - time_s
    least_step = lim.DRIFT_PPM * 1e-6 * 3600.0
    none = np.zeros(time_s.size, dtype=np.bool_)
    if not time_s.size or np.ptp(delay_s) < least_step * (lim.DRIFT_HOURS - 1):
        return none
    edges = [since(time_s, 3600.0 * hours) for hours in range(lim.DRIFT_HOURS, 0, -1)]
    edges.append(np.arange(1, time_s.size + 1, dtype=np.int64))
    least = Least(delay_s)
    hourly = [least.within(start, stop) for start, stop in itertools.pairwise(edges)]
    enough: Bools = np.logical_and.reduce(
        [stop - start >= lim.DRIFT_READINGS for start, stop in itertools.pairwise(edges)]
    )
    hourly = [np.where(enough, value, 0.0) for value in hourly]
    steps = np.stack([now - then for then, now in itertools.pairwise(hourly)])
    slowest, fastest = np.abs(steps).min(axis=0), np.abs(steps).max(axis=0)
    one_way = (steps > 0.0).all(axis=0) | (steps < 0.0).all(axis=0)
    is_clock = (slowest > least_step) & (fastest < lim.DRIFT_MOST_PPM * 1e-6 * 3600.0)
    drifting = enough & one_way & is_clock & (fastest <= lim.DRIFT_EVEN * slowest)
    return np.asarray(drifting, dtype=np.bool_)
