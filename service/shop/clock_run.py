"""One coat's drying clock run along recorded air and then along the courses expected ahead."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from service.science import drying
from service.science.drying import DryingLaw
from service.shop.ahead import Ahead
from service.shop.moves import Moved

__all__ = ["ClockRun", "Hole", "share_of"]

Floats = NDArray[np.float64]

LONGEST_S = 130 * 86_400.0
"""How far ahead a mark is looked for."""

FARTHEST_SD = 8.0

NEAR = 1e-5
"""A crossing is found to this part of the wait, or of a standard deviation."""

MOST_STEPS = 40


@dataclass(frozen=True, eq=False)
class Hole:
    """How the air may have gone over a stretch without readings: equally likely courses.

    ``time_s`` (n,) rises from the reading before the hole to the one after it; ``air_c`` and
    ``rh_pct`` are (paths, n).
    """

    time_s: Floats
    air_c: Floats
    rh_pct: Floats


@dataclass(frozen=True, eq=False)
class ClockRun:
    """Reference hours of a film over time.

    ``time_s`` and ``hours`` (n,) run along the record at its middle estimate; ``apart``
    (paths, n), where there are holes, is how far each course is from that. After ``time_s[-1]``
    the hours of ``ahead`` come, ``factor`` times as they are for the law's own film, or those of
    the air held at ``speed``.
    """

    law: DryingLaw
    factor: float
    time_s: Floats
    hours: Floats
    apart: Floats | None
    ahead: Ahead | Moved | None
    speed: float
    _found: dict[tuple[float, ...], float | None] = field(default_factory=dict, repr=False)

    @classmethod
    def of(
        cls,
        law: DryingLaw,
        film_um: float,
        course: tuple[Floats, Floats, Floats],
        ahead: Ahead | Moved | None,
        holes: Sequence[Hole] = (),
    ) -> ClockRun:
        """Run the clock along a record (s since 1970, °C, %) and what was made for its holes."""
        time_s, air_c, rh_pct = course
        hours = np.asarray(drying.cumulative_hours(time_s, air_c, rh_pct, law, film_um=film_um))
        speed = float(drying.rate(law, float(air_c[-1]), float(rh_pct[-1]), film_um))
        factor = float(drying.rate(law, law.reference_c, law.reference_rh_pct, film_um))
        apart = None
        for hole in holes:
            time_s, hours, more = _with_hole(law, factor, time_s, hours, apart, hole)
            apart = more
        return cls(law, factor, time_s, hours, apart, ahead, speed)

    def courses(self, at_s: float) -> Floats | float:
        """Reference hours of each course (paths,) by an instant; one number where all agree."""
        last_s = float(self.time_s[-1])
        known_s = min(at_s, last_s)
        hours: Floats | float = float(np.interp(known_s, self.time_s, self.hours))
        if self.apart is not None:
            hours = np.maximum(hours + _column(self.apart, self.time_s, known_s), 0.0)
        if at_s <= last_s:
            return hours
        if self.ahead is None:
            return hours + self.speed * (at_s - last_s) / 3600.0
        passed = self.ahead.hours_at(self.law, at_s) - self.ahead.hours_at(self.law, last_s)
        return hours + self.factor * passed

    def share(self, at_s: float, needed_h: float, sd: float) -> float:
        """Chance that ``needed_h``, known to within a log spread ``sd``, has passed by then."""
        return share_of(self.courses(at_s), needed_h, sd)

    def reached_at(self, needed_h: float, sd: float, z: float, *, held_sd: float) -> float | None:
        """Instant by which the chance is that of a normal deviate up to ``z``; None: too far.

        ``held_sd`` is a further log spread of the speed of air that is only held. What was found
        is kept: it does not change as time goes on.
        """
        asked = needed_h, sd, z, held_sd
        if asked not in self._found:
            self._found[asked] = self._reached_at(*asked)
        return self._found[asked]

    def _reached_at(self, needed_h: float, sd: float, z: float, held_sd: float) -> float | None:
        last_s = float(self.time_s[-1])
        if self.apart is None:
            wanted = needed_h * math.exp(z * sd)
            if wanted <= self.hours[-1]:
                return float(np.interp(wanted, self.hours, self.time_s))
            if self.ahead is None:
                speed = self.speed * math.exp(-z * held_sd)
                left_s = 3600.0 * (wanted - float(self.hours[-1])) / max(speed, 1e-12)
                return last_s + left_s if left_s < LONGEST_S else None
        begun_s = float(self.time_s[0])

        def short(after: float) -> float:
            """How many deviates the chance is short of, at the logarithm of a time since then."""
            found = float(ndtri(self.share(begun_s + math.expm1(after), needed_h, sd)))
            return z - min(max(found, -FARTHEST_SD), FARTHEST_SD)

        known, longest = math.log1p(last_s - begun_s), math.log1p(last_s - begun_s + LONGEST_S)
        if short(longest) > 0.0:
            return None
        reached = short(known) <= 0.0
        low, high = (0.0, known) if reached else (known, longest)
        near = math.log1p(max(0.0, self._nearly(needed_h * math.exp(z * sd)) - begun_s))
        return begun_s + math.expm1(_crossing(short, low, high, near, sd))

    def _nearly(self, wanted_h: float) -> float:
        """Instant at which the mean of the courses has run so many hours."""
        last_s, known_h = float(self.time_s[-1]), float(self.hours[-1])
        if wanted_h <= known_h:
            return float(np.interp(wanted_h, self.hours, self.time_s))
        if self.ahead is None:
            return last_s + 3600.0 * (wanted_h - known_h) / max(self.speed, 1e-12)
        mean = self.ahead.mean_hours(self.law)
        begun = float(np.interp(last_s, self.ahead.time_s, mean))
        return float(np.interp(begun + (wanted_h - known_h) / self.factor, mean, self.ahead.time_s))


def share_of(hours: Floats | float, needed_h: float, sd: float) -> float:
    """Share of courses, by their reference hours, that have passed ``needed_h``; see ``share``."""
    passed = np.log(np.maximum(hours, 1e-12) / needed_h) / max(sd, 1e-9)
    return float(np.mean(ndtr(passed)))


def _crossing(
    short: Callable[[float], float], low: float, high: float, near: float, step: float
) -> float:
    """Where a falling function crosses zero, by secants kept between the ends found so far.

    ``near`` is a first guess and ``step`` about the distance over which the function falls by one.
    """
    at, before = min(max(near, low), high), None
    for _ in range(MOST_STEPS):
        value = short(at)
        if abs(value) < NEAR or high - low < NEAR:
            return at
        if value > 0.0:
            low = at
        else:
            high = at
        if before is None or before[1] == value:
            guess = at + step * value
        else:
            guess = at - value * (at - before[0]) / (value - before[1])
        before = at, value
        at = guess if low < guess < high else 0.5 * (low + high)
    return at


def _with_hole(
    law: DryingLaw,
    factor: float,
    time_s: Floats,
    hours: Floats,
    apart: Floats | None,
    hole: Hole,
) -> tuple[Floats, Floats, Floats]:
    """Put the hours of a hole's courses in place of the straight line over it."""
    first, last = max(float(hole.time_s[0]), float(time_s[0])), min(hole.time_s[-1], time_s[-1])
    inner = hole.time_s[(hole.time_s > first) & (hole.time_s < last)]
    at = np.concatenate([[first], inner, [last]])
    speed = factor * np.asarray(drying.rate(law, hole.air_c, hole.rh_pct, law.reference_film_um))
    cumulated = np.zeros_like(speed)
    steps = 0.5 * (speed[:, 1:] + speed[:, :-1]) * np.diff(hole.time_s) / 3600.0
    np.cumsum(steps, axis=1, out=cumulated[:, 1:])
    made = np.stack([np.interp(at, hole.time_s, row) for row in cumulated])
    made -= made[:, :1]
    middle = made.mean(axis=0)
    before, after = time_s <= first, time_s >= last
    begun, ended = (float(np.interp(x, time_s, hours)) for x in (first, last))
    kept_before, kept_after = time_s[before & (time_s < first)], time_s[after & (time_s > last)]
    times = np.concatenate([kept_before, at, kept_after])
    new = np.concatenate(
        [
            hours[before & (time_s < first)],
            begun + middle,
            hours[after & (time_s > last)] + (begun + float(middle[-1]) - ended),
        ]
    )
    spread = np.zeros((made.shape[0], times.size))
    if apart is not None:
        spread += np.stack([np.interp(times, time_s, row) for row in apart])
    own = slice(kept_before.size, kept_before.size + at.size)
    spread[:, own] += made - middle
    spread[:, own.stop :] += (made - middle)[:, -1:]
    return times, new, spread


def _column(rows: Floats, time_s: Floats, at_s: float) -> Floats:
    """Values (paths,) straight between the instants."""
    if time_s.size == 1:
        return np.asarray(rows[:, 0])
    high = int(np.clip(np.searchsorted(time_s, at_s), 1, time_s.size - 1))
    part = (at_s - time_s[high - 1]) / (time_s[high] - time_s[high - 1])
    return np.asarray(rows[:, high - 1] + part * (rows[:, high] - rows[:, high - 1]))
