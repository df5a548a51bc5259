"""Values that a sensor of the air cannot mean: out of range, too fast, stuck, spiking."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from service.science import air
from service.shop.quality import limits as lim
from service.shop.quality.course import Course
from service.shop.quality.windows import Least, last_where, since

__all__ = ["out_of_range", "spiking", "stuck", "too_fast"]

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


def out_of_range(course: Course) -> Bools:
    """Beyond what any room or weather has, though the sensor can say it."""
    low, high = lim.RANGE_AIR_C
    wettest = lim.RANGE_RH_MOST_PCT + lim.RANGE_SD * course.rh_sd_pct
    out = np.zeros(course.time_s.size, dtype=np.bool_)
    for air_c, rh_pct in (
        (course.air_c, course.rh_pct),
        (course.raw_air_c, course.raw_rh_pct),
    ):
        out |= (air_c < low) | (air_c > high)
        out |= (rh_pct < lim.RANGE_RH_LEAST_PCT) | (rh_pct > wettest)
        hot = np.flatnonzero((air_c > lim.RANGE_DEW_POINT_C) & ~out)
        if hot.size:
            vapour = rh_pct[hot] / 100.0 * air.saturation_pressure(air_c[hot])
            out[hot] |= vapour > air.saturation_pressure(lim.RANGE_DEW_POINT_C)
    return out


def too_fast(course: Course) -> Bools:
    """Faster than a strongly aired room goes over to the air that comes in."""
    if course.time_s.size < 2:
        return np.zeros(course.time_s.size, dtype=np.bool_)
    return _too_fast(
        course.time_s, course.raw_air_c, lim.RATE_SPAN_K, lim.RATE_SD * course.air_sd_k
    ) | _too_fast(
        course.time_s, course.raw_rh_pct, lim.RATE_SPAN_PCT, lim.RATE_SD * course.rh_sd_pct
    )


def _too_fast(time_s: Floats, value: Floats, span: float, noise: float) -> Bools:
    fast = np.zeros(time_s.size, dtype=np.bool_)
    step = np.diff(value, prepend=value[0])
    change = np.abs(step)
    if not (change > noise).any():
        return fast
    gap_s = np.diff(time_s, prepend=time_s[0])
    most = noise + span * -np.expm1(-gap_s / lim.RATE_LAG_S)
    leap = (change > most) & (gap_s <= lim.RATE_GAP_S)
    leap[0] = False
    for back in range(2, lim.SPIKE_READINGS + 2):  # what comes back from a spike is no leap
        there = np.abs(value[back:] - value[:-back]) <= most[back:]
        leap[back:] &= ~(there & (time_s[back:] - time_s[:-back] <= lim.RATE_GAP_S))
    if not leap.any():
        return fast
    last = last_where(leap, none=0)
    held = leap[last] & (time_s - time_s[last] <= lim.RATE_HOLD_S)
    stays = np.abs(value - value[np.maximum(last - 1, 0)]) > 0.5 * change[last]
    return held & stays


def stuck(course: Course, mates: Sequence[Course]) -> Bools:
    """Both quantities to the last digit the same, for longer than still air explains.

    A sensor that was seen to tell fine differences should show its own noise; a coarse one may
    well be still in a quiet room, so it is held against its mates, or against a long time.
    """
    time_s = course.time_s
    none = np.zeros(time_s.size, dtype=np.bool_)
    if time_s.size < lim.STUCK_READINGS:
        return none
    air_step = np.abs(np.diff(course.raw_air_c, prepend=np.nan))
    rh_step = np.abs(np.diff(course.raw_rh_pct, prepend=np.nan))
    gap_s = np.diff(time_s, prepend=-np.inf)
    begins = ~((air_step == 0.0) & (rh_step == 0.0) & (gap_s <= lim.STUCK_GAP_S))
    reach = since(time_s, lim.REACH_BACK_S)
    first = np.maximum(last_where(begins, none=0), reach)
    held_s = time_s - time_s[first]
    many = np.arange(time_s.size) - first + 1 >= lim.STUCK_READINGS
    asked = np.flatnonzero(many & (held_s >= min(lim.STUCK_FINE_S, lim.STUCK_MATES_S)))
    if not asked.size:
        return none
    fine = (_finest(air_step, reach, asked) <= lim.STUCK_FINE_K) | (
        _finest(rh_step, reach, asked) <= lim.STUCK_FINE_PCT
    )
    span_s = held_s[asked]
    yes = (span_s >= lim.STUCK_COARSE_S) | (fine & (span_s >= lim.STUCK_FINE_S))
    for mate in mates:
        if mate.time_s.size:
            moved = _moved(mate, time_s[first[asked]], time_s[asked])
            yes |= moved & (span_s >= lim.STUCK_MATES_S)
    none[asked] = yes
    return none


def _finest(step: Floats, reach: Ints, asked: Ints) -> Floats:
    """Return the smallest difference between neighbours that was seen within reach."""
    seen = np.where(step > 0.0, step, np.inf)  # the first has no neighbour, and NaN is not above 0
    return Least(seen).within(reach[asked] + 1, asked + 1)


def _moved(mate: Course, from_s: Floats, to_s: Floats) -> Bools:
    start = np.searchsorted(mate.time_s, from_s, side="left").astype(np.int64)
    stop = np.searchsorted(mate.time_s, to_s, side="right").astype(np.int64)
    moved = np.zeros(from_s.size, dtype=np.bool_)
    for value, much in (
        (mate.raw_air_c, lim.STUCK_MOVED_K),
        (mate.raw_rh_pct, lim.STUCK_MOVED_PCT),
    ):
        lowest, highest = Least(value).within(start, stop), -Least(-value).within(start, stop)
        moved |= highest - lowest >= much  # an empty window spans minus infinity
    return moved


def spiking(course: Course) -> Bools:
    """A few readings that leave and come back; far ones before their return is seen."""
    out = np.zeros(course.time_s.size, dtype=np.bool_)
    for value, span, least, sd in (
        (course.raw_air_c, lim.RATE_SPAN_K, lim.SPIKE_LEAST_K, course.air_sd_k),
        (course.raw_rh_pct, lim.RATE_SPAN_PCT, lim.SPIKE_LEAST_PCT, course.rh_sd_pct),
    ):
        floor = max(least, lim.SPIKE_SD * sd)
        if (np.abs(np.diff(value)) > floor).any():
            for readings in range(1, lim.SPIKE_READINGS + 1):
                _mark_spikes(out, course.time_s, value, readings, floor, span)
    return out


def _mark_spikes(
    out: Bools, time_s: Floats, value: Floats, readings: int, floor: float, span: float
) -> None:
    """Mark the spikes of just so many readings."""
    runs = time_s.size - readings
    if runs < 1:
        return
    before, before_s = value[:runs], time_s[:runs]  # the reading that each run leaves from
    inside = [slice(1 + k, 1 + k + runs) for k in range(readings)]
    lowest = np.minimum.reduce([value[part] for part in inside])
    highest = np.maximum.reduce([value[part] for part in inside])
    first_s, last_s = time_s[inside[0]], time_s[inside[-1]]
    # The reading after each run; the last run has none.
    after = np.append(value[readings + 1 :], np.nan)
    after_s = np.append(time_s[readings + 1 :], np.inf)
    seen = after_s <= first_s + lim.REACH_AHEAD_S
    near = last_s - before_s <= lim.SPIKE_GAP_S
    with np.errstate(invalid="ignore"):
        away = np.maximum(lowest - np.fmax(before, after), np.fmin(before, after) - highest)
        back = np.abs(after - before) <= 0.5 * away
        returned = seen & back & (away > _event(after_s - before_s, floor, span))
    gone = np.maximum(lowest - before, before - highest)
    far = ~seen & (gone > lim.SPIKE_AT_ONCE * _event(2.0 * (last_s - before_s), floor, span))
    marked = near & (returned | far)
    for part in inside:
        out[part] |= marked


def _event(span_s: Floats, floor: float, span: float) -> Floats:
    """Return the most by which true air may leave and be back within a span of time."""
    return floor + lim.SPIKE_SHARE * span * -np.expm1(-span_s / lim.SPIKE_EVENT_S)
