"""The drying clock: reference hours that have passed for a film in the air it hung in.

    rate = exp(-Ea/R (1/T - 1/T_ref)) * exp(-k (RH - RH_ref)) * (h/h_ref)^m * (film_ref/film)^n

A rate of 1 is drying as at the reference; hours are the integral of the rate over time; a clock is
those hours over a mark's reference hours. The temperature factor is the Arrhenius one by which
ASTM C1074 counts the equivalent age of concrete: the same mathematics for another slow change. The
factors for humidity, air movement and thickness are the plainest forms that have the right sign and
stay positive; their constants are a material's, and each says what it rests on.

Between readings temperature, RH and the logarithm of the air movement are taken as straight
lines, and the rate along them is integrated to 1e-8 of its value: the answer depends on the air,
not on how often it was read.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from service.science import _integral
from service.science._checks import (
    FloatArray,
    Quantity,
    as_given,
    increasing,
    within,
)
from service.science._drying_law import DryingLaw, film_factor, path
from service.science.constants import GAS_CONSTANT, ZERO_CELSIUS_K

__all__ = [
    "DryingLaw",
    "Elapsed",
    "activation_from_ratio",
    "cumulative_hours",
    "effective_film",
    "elapsed",
    "equivalent_hours",
    "hours_between",
    "rate",
    "time_to_reach",
]

SECONDS_PER_HOUR = 3600.0
SOFT_COAT_WEIGHT = 0.5
"""Share of a wholly soft earlier coat that counts as film still to dry (assumed)."""

Series = Sequence[float] | FloatArray


@dataclass(frozen=True)
class Elapsed:
    """Reference hours over a series, with what its gaps leave open.

    Attributes
    ----------
    hours
        Reference hours outside the gaps.
    gap_s
        Time in gaps, s: nothing is known about the air there.
    bridged_hours
        What a straight line across the gaps would add, reference hours: a middle estimate whose
        range is the caller's to widen.
    gaps
        Start and end of each gap, as in `time_s`.
    """

    hours: float
    gap_s: float
    bridged_hours: float
    gaps: tuple[tuple[float, float], ...]


def activation_from_ratio(
    low_c: Quantity | float, high_c: Quantity | float, ratio: Quantity | float
) -> Quantity:
    """Activation energy, kJ/mol, of a rate `ratio` times as fast at `high_c` as at `low_c`.

    Both -100 to 200 °C, and not the same; `ratio` 1e-6 to 1e6. Source: Arrhenius equation.
    """
    low = within("low_c", low_c, -100.0, 200.0, "°C") + ZERO_CELSIUS_K
    high = within("high_c", high_c, -100.0, 200.0, "°C") + ZERO_CELSIUS_K
    if np.any(low == high):
        msg = "high_c must differ from low_c"
        raise ValueError(msg)
    speed = np.log(within("ratio", ratio, 1e-6, 1e6))
    return as_given(GAS_CONSTANT * speed / (1.0 / low - 1.0 / high) / 1000.0, low_c, high_c, ratio)


def rate(
    law: DryingLaw,
    air_c: Quantity | float,
    rh_pct: Quantity | float,
    film_um: Quantity | float,
    h_ratio: Quantity | float = 1.0,
) -> Quantity:
    """Speed of the drying clock, 1 at the law's reference.

    `air_c` -40 to 60 °C, `rh_pct` 0 to 100 %, `film_um` 0.1 to 5,000 µm, `h_ratio` (air movement as
    its transfer coefficient over the reference's) 0.01 to 100. ValueError out of range.
    """
    way = path(law, np.zeros(1), air_c, rh_pct, h_ratio)
    log_rate = way.straight(...) - way.theta / (way.air_c + ZERO_CELSIUS_K)
    return as_given(np.exp(log_rate) * film_factor(law, film_um), air_c, rh_pct, film_um, h_ratio)


def _series(
    time_s: Series, air_c: Series, rh_pct: Series, law: DryingLaw, h_ratio: float | Series
) -> _integral.Path:
    time = increasing("time_s", time_s)
    for name, given, shapes in (
        ("air_c", air_c, (time.shape,)),
        ("rh_pct", rh_pct, (time.shape,)),
        ("h_ratio", h_ratio, (time.shape, ())),
    ):
        if np.shape(given) not in shapes:
            msg = f"{name} must have one entry for each of time_s, {time.size}"
            raise ValueError(msg)
    return path(law, time, air_c, rh_pct, h_ratio)


def cumulative_hours(
    time_s: Series,
    air_c: Series,
    rh_pct: Series,
    law: DryingLaw,
    film_um: float,
    *,
    h_ratio: float | Series = 1.0,
) -> FloatArray:
    """Reference hours from the first reading to each, an array as long as `time_s`.

    `time_s` rises strictly, s; the others as in `rate`, a value for each time (`h_ratio` may be
    one for all). Lines are drawn across gaps: see `elapsed` where there may be some.
    """
    way = _series(time_s, air_c, rh_pct, law, h_ratio)
    hours = np.zeros(way.time.size)
    np.cumsum(_integral.segments(way), out=hours[1:])
    hours *= film_factor(law, film_um) / SECONDS_PER_HOUR
    return hours


def equivalent_hours(
    time_s: Series,
    air_c: Series,
    rh_pct: Series,
    law: DryingLaw,
    film_um: float,
    *,
    h_ratio: float | Series = 1.0,
) -> float:
    """Reference hours from the first to the last reading; arguments as in `cumulative_hours`."""
    way = _series(time_s, air_c, rh_pct, law, h_ratio)
    return _integral.whole(way) * float(film_factor(law, film_um)) / SECONDS_PER_HOUR


def elapsed(
    time_s: Series,
    air_c: Series,
    rh_pct: Series,
    law: DryingLaw,
    film_um: float,
    *,
    max_gap_s: float,
    h_ratio: float | Series = 1.0,
) -> Elapsed:
    """Reference hours with the gaps told apart: readings further apart than `max_gap_s`."""
    within("max_gap_s", max_gap_s, 1e-3, 1e12, "s")
    way = _series(time_s, air_c, rh_pct, law, h_ratio)
    hours = _integral.segments(way) * float(film_factor(law, film_um)) / SECONDS_PER_HOUR
    steps = np.diff(way.time)
    gap = steps > max_gap_s
    starts, ends = way.time[:-1][gap], way.time[1:][gap]
    return Elapsed(
        hours=float(hours[~gap].sum()),
        gap_s=float(steps[gap].sum()),
        bridged_hours=float(hours[gap].sum()),
        gaps=tuple(zip(starts.tolist(), ends.tolist(), strict=True)),
    )


def hours_between(
    time_s: Series,
    air_c: Series,
    rh_pct: Series,
    law: DryingLaw,
    film_um: FloatArray | float,
    start_s: FloatArray | float,
    end_s: FloatArray | float,
    *,
    h_ratio: float | Series = 1.0,
) -> FloatArray:
    """Reference hours of many films in the same air, each from its own start to its own end.

    `film_um`, `start_s` and `end_s` broadcast; the starts and ends lie anywhere within `time_s`,
    also between readings, and no end is before its start. The air is integrated once for all.
    """
    way = _series(time_s, air_c, rh_pct, law, h_ratio)
    first, last = float(way.time[0]), float(way.time[-1])
    start = within("start_s", start_s, first, last, "s (the span of time_s)")
    end = within("end_s", end_s, first, last, "s (the span of time_s)")
    if np.any(end < start):
        msg = "end_s must not be before start_s"
        raise ValueError(msg)
    total = np.zeros(way.time.size)
    np.cumsum(_integral.segments(way), out=total[1:])
    passed = _integral.at(way, total, end) - _integral.at(way, total, start)
    return np.asarray(passed * film_factor(law, film_um) / SECONDS_PER_HOUR)


def time_to_reach(
    time_s: Series,
    air_c: Series,
    rh_pct: Series,
    law: DryingLaw,
    film_um: float,
    mark_hours: float,
    *,
    h_ratio: float | Series = 1.0,
) -> float:
    """When, on the scale of `time_s`, `mark_hours` reference hours have passed since its start.

    `mark_hours` 0 to 1e6 h. Infinite where the series ends before that. Exact within a segment, to
    1e-9 of its length.
    """
    mark = float(within("mark_hours", mark_hours, 0.0, 1e6, "h"))
    way = _series(time_s, air_c, rh_pct, law, h_ratio)
    total = np.zeros(way.time.size)
    np.cumsum(_integral.segments(way), out=total[1:])
    wanted = mark * SECONDS_PER_HOUR / float(film_factor(law, film_um))
    if wanted > total[-1] * (1.0 + 1e-12):  # equal but for rounding is reached
        return math.inf
    return _integral.when(way, total, min(wanted, float(total[-1])))


def effective_film(
    film_um: float,
    earlier: Sequence[tuple[float, float]],
    *,
    weight: float = SOFT_COAT_WEIGHT,
) -> float:
    """Film thickness, µm, that a new coat dries like over coats that are still soft.

    Fresh solvent goes back into a soft coat below and has to come out again, so such a coat counts
    as part of the film: film + weight * sum(film_i * (1 - clock_i)), clocks cut to 0...1. A coat
    whose clock is full adds nothing. The form is the plainest that does this; its weight is
    `assumed`, and a shop's own verdicts are what may correct it.

    Parameters
    ----------
    film_um
        The new coat, 0.1 to 5,000 µm.
    earlier
        (thickness in µm, clock fraction 0 and on) of each coat below.
    weight
        0 to 1.
    """
    total = float(within("film_um", film_um, 0.1, 5000.0, "µm"))
    share = float(within("weight", weight, 0.0, 1.0))
    for thickness_um, clock in earlier:
        within("earlier thickness", thickness_um, 0.0, 5000.0, "µm")
        within("earlier clock", clock, 0.0, 1e9)
        total += share * thickness_um * max(0.0, 1.0 - clock)
    return min(total, 5000.0)
