"""Readings against their mates, against the correction before, and the battery they ran on."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from service.shop.quality import limits as lim
from service.shop.quality.course import Course
from service.shop.quality.windows import last_where, since

__all__ = ["battery_low", "disagrees", "jumped"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


def disagrees(course: Course, mates: Sequence[Course]) -> Bools:
    """Apart from more than half of its mates, for some minutes.

    Of two that contradict, both are marked; of three or more, the odd one out.
    """
    time_s = course.time_s
    present = np.zeros(time_s.size, dtype=np.int64)
    apart = np.zeros(time_s.size, dtype=np.int64)
    for mate in mates:
        if mate.time_s.size:
            air_c, rh_pct = _beside(mate, time_s)
            there = np.isfinite(air_c)
            air_k = lim.DISAGREES_SD * math.hypot(course.air_sd_k, mate.air_sd_k)
            rh = lim.DISAGREES_SD * math.hypot(course.rh_sd_pct, mate.rh_sd_pct)
            present += there
            # A mate that is not there compares false.
            apart += (np.abs(course.air_c - air_c) > air_k) | (np.abs(course.rh_pct - rh_pct) > rh)
    odd = 2 * apart > present
    if not odd.any():
        return odd
    first = np.maximum(last_where(~odd) + 1, since(time_s, lim.DISAGREES_WINDOW_S))
    first = np.minimum(first, time_s.size - 1)
    return odd & (time_s - time_s[first] >= lim.DISAGREES_FOR_S)


def _beside(mate: Course, time_s: Floats) -> tuple[Floats, Floats]:
    """Return what the mate said at these instants; NaN where it said nothing near them."""
    after = np.searchsorted(mate.time_s, time_s, side="right")
    low, high = np.maximum(after - 1, 0), np.minimum(after, mate.time_s.size - 1)
    low_ok = (after > 0) & (time_s - mate.time_s[low] <= lim.DISAGREES_BESIDE_S)
    high_ok = (after < mate.time_s.size) & (mate.time_s[high] - time_s <= lim.DISAGREES_BESIDE_S)
    low, high = np.where(low_ok, low, high), np.where(high_ok, high, low)
    gap_s = mate.time_s[high] - mate.time_s[low]
    part = np.where(gap_s > 0.0, (time_s - mate.time_s[low]) / np.where(gap_s > 0, gap_s, 1.0), 0.0)
    there = np.where(low_ok | high_ok, 1.0, np.nan)

    def at(value: Floats) -> Floats:
        return (value[low] + part * (value[high] - value[low])) * there

    return at(mate.air_c), at(mate.rh_pct)


def jumped(course: Course) -> Bools:
    """After a correction that moves the sensor beyond its uncertainty, or handling near one."""
    time_s = course.time_s
    out = np.zeros(time_s.size, dtype=np.bool_)
    for began_s in course.corrected_from_s:
        after = int(np.searchsorted(time_s, began_s, side="left"))
        if not 0 < after < time_s.size:
            continue
        if began_s - time_s[after - 1] <= lim.JUMP_BEFORE_S and _moved(course, after):
            out[after:] |= time_s[after:] < began_s + lim.JUMP_HOLD_S
        if _handled(course, began_s, after):
            out[after:] |= time_s[after:] < began_s + lim.JUMP_RAW_HOLD_S
    return out


def _moved(course: Course, after: int) -> bool:
    """Return whether the correction itself changed by more than the sensor's uncertainty."""
    air_k = (course.air_c - course.raw_air_c)[after - 1 : after + 1]
    rh = (course.rh_pct - course.raw_rh_pct)[after - 1 : after + 1]
    return bool(
        abs(air_k[1] - air_k[0]) > lim.JUMP_SD * course.air_sd_k
        or abs(rh[1] - rh[0]) > lim.JUMP_SD * course.rh_sd_pct
    )


def _handled(course: Course, began_s: float, after: int) -> bool:
    """Return whether the raw readings stand elsewhere than just before."""
    first = int(np.searchsorted(course.time_s, began_s - lim.JUMP_RAW_S, side="left"))
    stop = int(np.searchsorted(course.time_s, began_s + lim.JUMP_RAW_S, side="right"))
    if first == after or stop == after:
        return False
    return any(
        abs(float(np.median(value[after:stop]) - np.median(value[first:after]))) > much
        for value, much in (
            (course.raw_air_c, lim.JUMP_RAW_K),
            (course.raw_rh_pct, lim.JUMP_RAW_PCT),
        )
    )


def battery_low(course: Course) -> Bools:
    """Below the level at which a cell sags; never where no level was sent."""
    return course.battery_pct < lim.BATTERY_LOW_PCT
