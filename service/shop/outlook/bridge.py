"""Holes in the record, bridged: the daily course, and the anomaly between what was read around."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.shop.outlook.courses import FADE_DAYS
from service.shop.outlook.history import HOUR_S, AirHistory, Floats, hourly

__all__ = ["Hindcast", "fading_of", "hindcast", "hindcast_paths", "ou_bridge"]

FADING_BOUNDS_H = (3.0, 72.0)
LAG_H = 6
FEWEST_PAIRS = 48

ASSUMED_FADING_H, ASSUMED_SD_K = 24.0, 3.0


@dataclass(frozen=True)
class Hindcast:
    """What the air probably was: middle [°C] and standard deviation [K], one for each instant."""

    time_s: Floats
    air_c: Floats
    air_sd_k: Floats
    dew_point_c: Floats
    dew_point_sd_k: Floats


def hindcast(history: AirHistory, times_s: Floats) -> Hindcast:
    """Bridge holes in a record.

    Parameters
    ----------
    history : AirHistory
        Readings around the holes; at least one.
    times_s : array
        Instants [s since 1970]; from the first reading on.

    Notes
    -----
    The anomaly from the daily course is taken as an Ornstein-Uhlenbeck process whose fading and
    spread are those of the record; between two readings it is tied to both, after the last one it
    fades. Readings themselves come back as they are, with no spread.
    """
    times = np.asarray(times_s, dtype=np.float64)
    middle, spread = [], []
    for known in _known(history, times):
        mean, sd = ou_bridge(history.time_s, known.apart, times, known.fading_s, known.sd_k)
        middle.append(mean + known.usual)
        spread.append(sd)
    dew = np.minimum(middle[1], middle[0])
    return Hindcast(times, middle[0], spread[0], dew, spread[1])


def hindcast_paths(
    history: AirHistory, times_s: Floats, count: int, seed: int
) -> tuple[Floats, Floats]:
    """Draw equally likely courses of air and dew point [°C], each (count, times), over a hole.

    ``times_s`` rise; mean and spread at each are those of :func:`hindcast`, and neighbours go
    together as the process has it. The same seed draws the same.

    Notes
    -----
    A free course of the process, less what it is at the readings, tied to them (conditioning by
    kriging; Chiles and Delfiner, Geostatistics, 2nd ed., ch. 7).
    """
    times = np.asarray(times_s, dtype=np.float64)
    rng = np.random.default_rng(seed)
    near = (history.time_s >= times[0]) & (history.time_s <= times[-1])
    before = np.searchsorted(history.time_s, times[0], side="right") - 1
    after = np.searchsorted(history.time_s, times[-1])
    picked = np.unique([max(before, 0), *np.flatnonzero(near), min(after, near.size - 1)])
    read_s = history.time_s[picked]
    every, where = np.unique(np.concatenate([read_s, times]), return_inverse=True)
    out = []
    for known in _known(history, times):
        keep = np.exp(-np.diff(every) / known.fading_s)
        free = known.sd_k * rng.standard_normal((count, every.size))
        for i, part in enumerate(keep):
            free[:, i + 1] = part * free[:, i] + np.sqrt(1.0 - part**2) * free[:, i + 1]
        missing = known.apart[picked] - free[:, where[: read_s.size]]
        tied = np.stack(
            [ou_bridge(read_s, row, times, known.fading_s, known.sd_k)[0] for row in missing]
        )
        out.append(free[:, where[read_s.size :]] + tied + known.usual)
    return out[0], np.minimum(out[1], out[0])


@dataclass(frozen=True)
class _Known:
    """One variable: how its anomalies fade and spread, and what they were at the readings [K].

    ``usual`` is the daily course at the instants asked for [°C].
    """

    fading_s: float
    sd_k: float
    apart: Floats
    usual: Floats


def _known(history: AirHistory, times: Floats) -> tuple[_Known, _Known]:
    if history.time_s.size == 0:
        raise ValueError("history: is empty")
    if times.size == 0 or times.min() < history.time_s[0]:
        raise ValueError("times_s: must not lie before the first reading")
    end_s = max(float(times.max()), float(history.time_s[-1]))
    grid = hourly(history, end_s)
    course, apart = _course_both_ways(
        grid.values, np.array([history.air_c.mean(), history.dew_point_c.mean()])
    )
    grid_s = end_s - HOUR_S * np.arange(grid.hours - 1, -1, -1, dtype=np.float64)

    def of(v: int, read: Floats) -> _Known:
        fading_h, sd_k = fading_of(apart[:, v])
        at_readings = read - np.interp(history.time_s, grid_s, course[:, v])
        usual = np.interp(times, grid_s, course[:, v])
        return _Known(fading_h * HOUR_S, sd_k, at_readings, usual)

    return of(0, history.air_c), of(1, history.dew_point_c)


def ou_bridge(
    read_s: Floats, read: Floats, times_s: Floats, fading_s: float, sd: float
) -> tuple[Floats, Floats]:
    """Mean and standard deviation of a stationary Ornstein-Uhlenbeck process tied to readings.

    Parameters
    ----------
    read_s, read : array
        Instants (rising) and exact values of the process, whose mean is zero.
    times_s : array
        Instants asked for, none before the first reading.
    fading_s, sd : float
        Time constant [s] and stationary standard deviation, both above 0.
    """
    after = np.searchsorted(read_s, times_s, side="left")
    last = after == read_s.size
    high = np.minimum(after, read_s.size - 1)
    low = np.where(read_s[high] <= times_s, high, np.maximum(high - 1, 0))
    since = (times_s - read_s[low]) / fading_s
    until = np.where(last, np.inf, (read_s[high] - times_s) / fading_s)
    whole = since + until
    gone = -np.expm1(-2.0 * np.where(whole > 0, whole, 1.0))
    from_low = np.where(whole > 0, np.exp(-since) * -np.expm1(-2.0 * until) / gone, 1.0)
    from_high = np.where(whole > 0, np.exp(-until) * -np.expm1(-2.0 * since) / gone, 0.0)
    left = np.where(whole > 0, np.expm1(-2.0 * since) * np.expm1(-2.0 * until) / gone, 0.0)
    mean = from_low * read[low] + from_high * read[high]
    return np.asarray(mean), np.asarray(sd * np.sqrt(left))


def _course_both_ways(values: Floats, usual: Floats) -> tuple[Floats, Floats]:
    """Daily course that forgets both ways, and the anomalies from the other days' course.

    A hindcast may know what came after. Each anomaly (NaN where unseen) is from a course without
    its own day, which it would pull along, and is scaled back by that course's own noise, as if
    days were independent. ``usual`` (variables,) stands in at hours of the day never seen.
    """
    hours, variables = values.shape
    days = -(-hours // 24)
    padded = np.full((days * 24, variables), np.nan)
    padded[days * 24 - hours :] = values
    blocks = padded.reshape(days, 24 * variables)
    seen = np.isfinite(blocks)
    read = np.where(seen, blocks, 0.0)
    day = np.arange(days)
    weight = (1.0 - 1.0 / FADE_DAYS) ** np.abs(day[:, None] - day[None, :])
    total, weights = weight @ read, weight @ seen
    never = np.broadcast_to(np.tile(usual, 24), total.shape).copy()
    course = np.divide(total, weights, out=never, where=weights > 0)
    others = np.maximum(weights - seen, 1e-9)
    noise = np.sqrt(1.0 + (weight**2 @ seen - seen) / others**2)
    apart = (blocks - (total - read) / others) / noise
    apart = np.where(seen & (weights - seen > 0.5), apart, np.nan)
    first = days * 24 - hours
    shape = (days * 24, variables)
    return course.reshape(shape)[first:], apart.reshape(shape)[first:]


def fading_of(anomaly: Floats) -> tuple[float, float]:
    """Time constant [h] and standard deviation [K] of anomalies on even hours (NaN: unseen)."""
    pairs = np.column_stack([anomaly[:-LAG_H], anomaly[LAG_H:]])
    pairs = pairs[np.isfinite(pairs).all(axis=1)]
    if pairs.shape[0] < FEWEST_PAIRS:
        return ASSUMED_FADING_H, ASSUMED_SD_K
    variance = float(np.mean(pairs**2))
    kept = float(np.mean(pairs[:, 0] * pairs[:, 1])) / max(variance, 1e-9)
    low, high = FADING_BOUNDS_H
    fading = -LAG_H / np.log(np.clip(kept, np.exp(-LAG_H / low), np.exp(-LAG_H / high)))
    return float(fading), max(float(np.sqrt(variance)), 0.05)
