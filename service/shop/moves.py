"""The air that a piece will hang in where it is to be moved: one place's, then another's."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from service.science.drying import DryingLaw
from service.shop.ahead import Ahead

__all__ = ["HELD_SD_K", "Moved", "held"]

Floats = NDArray[np.float64]

HELD_SD_K = 1.2
"""Doubt [K] about the air of a place that has no outlook; a tenth of a clock's speed (assumed)."""


@dataclass(frozen=True, eq=False)
class Moved:
    """Courses of the air where a piece hangs, and from each planned move on where it hangs then.

    ``later`` holds the instants [s since 1970], rising, and the courses of the places; None where
    nothing is known of a place's air: there the clock stands. Places go their own ways: a course of
    one is followed by any course of the other.
    """

    first: Ahead
    later: tuple[tuple[float, Ahead | None], ...]

    @property
    def time_s(self) -> Floats:
        """The instants of the first place's courses."""
        return self.first.time_s

    def hours_at(self, law: DryingLaw, time_s: float) -> Floats:
        """Reference hours (paths,) of the law's own film by an instant from ``time_s[0]`` on."""
        found = np.zeros(self.first.air_c.shape[0])
        for begun, ended, courses in self._stays():
            until = min(time_s, ended)
            if courses is not None and until > begun:
                found = found + courses.hours_at(law, until) - courses.hours_at(law, begun)
        return found

    def mean_hours(self, law: DryingLaw) -> Floats:
        """Mean of the courses' hours (n,)."""
        found = np.zeros(self.time_s.size)
        for begun, ended, courses in self._stays():
            if courses is not None:
                within = np.clip(self.time_s, begun, ended)
                mean = courses.mean_hours(law)
                found += np.interp(within, courses.time_s, mean)
                found -= np.interp(begun, courses.time_s, mean)
        return found

    def _stays(self) -> Iterator[tuple[float, float, Ahead | None]]:
        begun, courses = float(self.first.time_s[0]), self.first
        ahead: Ahead | None = courses
        for at_s, following in self.later:
            yield begun, max(begun, at_s), ahead
            begun, ahead = max(begun, at_s), following
        yield begun, np.inf, ahead


def held(air_c: float, rh_pct: float, from_s: float, paths: int) -> Ahead:
    """Return courses of air [°C, %] that stays as it is, spread by :data:`HELD_SD_K`."""
    spread = HELD_SD_K * ndtri((np.arange(paths) + 0.5) / paths)
    level = (air_c + spread)[:, np.newaxis]
    hours = np.arange(0.0, 24.0 * 10 + 1.0)
    return Ahead(
        from_s + 3600.0 * hours,
        np.broadcast_to(level, (paths, hours.size)),
        np.full((paths, hours.size), rh_pct),
    )
