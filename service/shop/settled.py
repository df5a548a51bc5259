"""Whether a sensor in a closed jar has settled, and if not, what still moves and for how long.

In a jar the humidity goes to its end as ``end + A exp(-t/tau)``: the jar's own air, the sensor's
filter and the heat of the hand fade, the fast ones first. A reading is settled when its last hour
hardly moves, its temperature is steady, and the exponential that fits its last hours has hardly
anything left to go. Imports NumPy only.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.shop.said import say

__all__ = ["Settling", "settling"]

Floats = NDArray[np.float64]

WINDOW_S = 3600.0
"""Stretch that must be quiet, and whose mean is taken. Assumed: several times what a small jar's
air takes to follow (10 to 30 min, common practice)."""

LEAST_S = 3.0 * 3600.0
"""Shortest stay in a jar. Common practice: some hours; the solution itself must warm through."""

FIT_S = 4.0 * 3600.0
"""Longest stretch the exponential is fitted to."""

FADE_S = 3600.0
"""The first of a jar is left out of the fit: what fades fast would hide what fades slowly."""

MOST_MOVED_PCT_H = 0.3
"""Largest slope of humidity, % RH per hour. Assumed: half the uncertainty hoped for, over hours."""

MOST_SCATTER_PCT = 0.5
"""Largest standard deviation about that slope. Assumed: twice the noise of the usual sensors."""

MOST_REMAINS_PCT = 0.3
"""Most that the mean may still be away from where a fit ends, % RH. Assumed: as much as a settled
reading is held to be uncertain by."""

FITS_SD = 2.0
"""An exponential fits as well as the best where it is no further off than so many standard
deviations; the one with the most left to go counts. Common practice."""

MOST_AIR_K_H = 0.3
"""Largest slope of temperature, K per hour. Assumed: with the lag below it moves 75 % RH by 0.7."""

LAG_H = 0.5
"""The solution follows a change of temperature so much later than the sensor. Assumed, for a jar of
half a litre."""

STILL_SD_K = 0.1
"""Standard deviation between sensor and solution where the temperature is steady. Assumed."""

STILL_SD_PCT = 0.3
"""Least standard deviation of a settled reading, % RH: what a fit over hours does not see.
Assumed."""

FEWEST = 6
"""Readings that the window needs. Assumed: fewer tell no slope."""

LONGEST_GAP_S = 1200.0
"""A longer silence within the window, or up to now, leaves it open what happened. Assumed."""

TAU_S = np.geomspace(120.0, 6.0 * 3600.0, 60)
"""Time constants that are tried. A jar slower than the longest is leaking or dry."""

BINS = 240


@dataclass(frozen=True)
class Settling:
    """How far a sensor in a jar is.

    Attributes
    ----------
    settled : bool
        Nothing in ``still``.
    still : tuple of str
        What is not yet as it should be, in words; empty once settled.
    ready_in_s : float or None
        Seconds until it is likely to have settled; 0 once it has, None where that cannot be told.
    readings : int
        Readings in the last hour.
    rh_pct, rh_sd_pct : float or None
        Mean of the last hour as sent [% RH], and its standard deviation as the jar's reading:
        scatter, resolution and what may remain. None without a reading.
    air_c, jar_sd_k : float or None
        Mean temperature [°C], and the standard deviation between sensor and solution [K].
    slope_pct_h, scatter_pct, remains_pct, slope_k_h : float or None
        Slope of humidity [% RH/h], standard deviation about it, distance of the mean from where the
        fit ends [% RH], slope of temperature [K/h]. None where there are too few readings.
    """

    settled: bool
    still: tuple[str, ...]
    ready_in_s: float | None
    readings: int
    rh_pct: float | None = None
    rh_sd_pct: float | None = None
    air_c: float | None = None
    jar_sd_k: float | None = None
    slope_pct_h: float | None = None
    scatter_pct: float | None = None
    remains_pct: float | None = None
    slope_k_h: float | None = None


def settling(
    time_s: Floats, rh_pct: Floats, air_c: Floats, *, since_s: float, now_s: float
) -> Settling:
    """Judge the readings of one sensor in one jar.

    Parameters
    ----------
    time_s : array
        Instants, seconds since 1970, oldest first; those before ``since_s`` do not count.
    rh_pct, air_c : array
        Humidity as sent [% RH] and temperature [°C] at these instants.
    since_s, now_s : float
        When the jar was closed, and now.
    """
    inside = (time_s >= since_s) & (time_s <= now_s)
    time_s, rh_pct, air_c = time_s[inside], rh_pct[inside], air_c[inside]
    last = time_s > now_s - WINDOW_S
    count = int(last.sum())
    wait_s = max(0.0, since_s + LEAST_S - now_s)
    if count < FEWEST or _silent(time_s[last], max(since_s, now_s - WINDOW_S), now_s):
        return _too_few(count, rh_pct[last], air_c[last], wait_s)
    hours = (time_s - now_s) / 3600.0
    slope, scatter = _line(hours[last], rh_pct[last])
    slope_k, _ = _line(hours[last], air_c[last])
    # Half of a sensor's last digit at most is hidden in a reading that does not move.
    digit = _last_digit(rh_pct)
    remains, tau_s = _remains(time_s, rh_pct, last, since_s, now_s)
    still = []
    if abs(slope) > MOST_MOVED_PCT_H:
        still.append(
            say(
                "humidity still {way} by {slope:.1f} % RH an hour",
                way=_way(slope),
                slope=abs(slope),
            )
        )
    if remains > MOST_REMAINS_PCT:
        still.append(say("about {remains:.1f} % RH still to go", remains=remains))
    # The bend of a decay is scatter about a straight line too, and has been named already.
    restless = not still and scatter > max(MOST_SCATTER_PCT, digit)
    if restless:
        still.append(say("readings scatter by {scatter:.1f} % RH", scatter=scatter))
    if abs(slope_k) > MOST_AIR_K_H:
        still.append(
            say(
                "temperature {way}: {slope_k:.1f} K within the last hour",
                way=_way(slope_k),
                slope_k=abs(slope_k),
            )
        )
    if wait_s > 0.0:
        still.append(
            say(
                "{span} in the jar; {span2} at least",
                span=_span(now_s - since_s),
                span2=_span(LEAST_S),
            )
        )
    return Settling(
        settled=not still,
        still=tuple(still),
        ready_in_s=(
            None
            if restless or abs(slope_k) > MOST_AIR_K_H
            else _ready_in(slope, remains, tau_s, wait_s)
        ),
        readings=count,
        rh_pct=float(rh_pct[last].mean()),
        rh_sd_pct=_sd(scatter, count, digit, remains, abs(slope)),
        air_c=float(air_c[last].mean()),
        jar_sd_k=math.hypot(STILL_SD_K, LAG_H * slope_k),
        slope_pct_h=slope,
        scatter_pct=scatter,
        remains_pct=remains,
        slope_k_h=slope_k,
    )


def _too_few(count: int, rh_pct: Floats, air_c: Floats, wait_s: float) -> Settling:
    """Return a judgement that says what was heard; taken anyway, it is as uncertain as it moved."""
    spread = float(np.ptp(rh_pct)) if count else 0.0
    return Settling(
        settled=False,
        still=(
            say(
                "{count} readings within the last hour, with a gap or too few to tell", count=count
            ),
        ),
        ready_in_s=max(wait_s, WINDOW_S),
        readings=count,
        rh_pct=float(rh_pct.mean()) if count else None,
        # Half of what a jar may yet bring, where nothing tells.
        rh_sd_pct=max(2.0, spread) if count else None,
        air_c=float(air_c.mean()) if count else None,
        jar_sd_k=max(0.5, float(np.ptp(air_c))) if count else None,
    )


def _silent(time_s: Floats, from_s: float, now_s: float) -> bool:
    return bool(np.diff(time_s, prepend=from_s, append=now_s).max() > LONGEST_GAP_S)


def _line(hours: Floats, value: Floats) -> tuple[float, float]:
    """Return the slope per hour and the standard deviation about the line."""
    x = hours - hours.mean()
    y = value - value.mean()
    slope = float(x @ y / (x @ x))
    rest = y - slope * x
    return slope, float(math.sqrt(rest @ rest / (value.size - 2)))


def _last_digit(value: Floats) -> float:
    """Return the step of a sensor's figures, as far as they show one."""
    steps = np.diff(np.unique(value))
    return float(steps.min()) if steps.size else 0.0


def _remains(
    time_s: Floats, rh_pct: Floats, last: NDArray[np.bool_], since_s: float, now_s: float
) -> tuple[float, float]:
    """Return how far the last hour's mean may be from the end, and by which time constant.

    Of all exponentials that fit as well as the best the one with the most left to go counts: an
    hour of slow creep looks straight, and a straight line tells of no end.
    """
    used = time_s >= max(now_s - FIT_S, min(since_s + FADE_S, now_s - WINDOW_S))
    at, value = _thinned(time_s[used] - now_s, rh_pct[used])
    shape = np.exp(-(at - at[0]) / TAU_S[:, None])
    x, y = shape - shape.mean(axis=1, keepdims=True), value - value.mean()
    amplitude = x @ y / (x * x).sum(axis=1)
    error = ((y - amplitude[:, None] * x) ** 2).sum(axis=1)
    # Where it ends is the mean of all, less what the decay still adds to it on average.
    end = value.mean() - amplitude * shape.mean(axis=1)
    off = np.abs(rh_pct[last].mean() - end)
    as_good = error <= error.min() * (1.0 + FITS_SD**2 / max(1, value.size - 3))
    worst = int(np.argmax(np.where(as_good, off, -1.0)))
    return float(off[worst]), float(TAU_S[worst])


def _thinned(time_s: Floats, value: Floats) -> tuple[Floats, Floats]:
    """Return means of bins of equal length, so that many readings cost no more than a few."""
    if time_s.size <= BINS:
        return time_s, value
    bins = ((time_s - time_s[0]) / (time_s[-1] - time_s[0]) * (BINS - 1)).astype(np.int64)
    count = np.bincount(bins)
    there = count > 0
    count = count[there]
    return (
        np.bincount(bins, time_s)[there] / count,
        np.bincount(bins, value)[there] / count,
    )


def _sd(scatter: float, count: int, digit: float, remains: float, slope: float) -> float:
    return max(
        STILL_SD_PCT,
        math.hypot(scatter / math.sqrt(count), digit / math.sqrt(12.0), remains, slope),
    )


def _ready_in(slope: float, remains: float, tau_s: float, wait_s: float) -> float:
    over = max(abs(slope) / MOST_MOVED_PCT_H, remains / MOST_REMAINS_PCT, 1.0)
    return max(wait_s, tau_s * math.log(over))


def _way(slope: float) -> str:
    return "rising" if slope > 0.0 else "falling"


def _span(seconds: float) -> str:
    if seconds < 5400.0:
        return say("{seconds:.0f} min", seconds=max(0.0, seconds) / 60.0)
    return say("{seconds:.1f} h", seconds=seconds / 3600.0)
