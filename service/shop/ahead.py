"""The air that is to be expected in a place, as equally likely courses of it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from service.science import air as moist
from service.science import drying
from service.science.drying import DryingLaw
from service.shop.outlook import Paths

__all__ = ["Ahead"]

Floats = NDArray[np.float64]

SPEED_FROM_H = 96
"""The last so many hours of the courses tell how fast a clock runs after them."""

RATES_C = (-40.0, 60.0)
"""Temperatures that a drying law is defined for."""


@dataclass(frozen=True, eq=False)
class Ahead:
    """Courses of a place's air from ``time_s[0]`` on; straight between the instants.

    Attributes
    ----------
    time_s : array (n,)
        Seconds since 1970, even steps; the first is the instant they were made for.
    air_c, rh_pct : array (paths, n)
        °C and %.
    """

    time_s: Floats
    air_c: Floats
    rh_pct: Floats
    _hours: dict[DryingLaw, Floats] = field(default_factory=dict, repr=False)
    _means: dict[DryingLaw, Floats] = field(default_factory=dict, repr=False)

    @classmethod
    def of(cls, paths: Paths) -> Ahead:
        """Return the courses of an outlook."""
        air_c = np.clip(paths.air_c, *RATES_C)
        dew_c = np.clip(paths.dew_point_c, -90.0, air_c)
        rh_pct = np.asarray(moist.rh_at_dew_point(air_c, dew_c))
        return cls(paths.now_s + 3600.0 * paths.horizon_h, air_c, np.clip(rh_pct, 0.0, 100.0))

    def hours(self, law: DryingLaw) -> Floats:
        """Reference hours (paths, n) of the law's own film from ``time_s[0]`` on; kept."""
        found = self._hours.get(law)
        if found is None:
            speed = np.asarray(
                drying.rate(law, self.air_c, self.rh_pct, law.reference_film_um), dtype=np.float64
            )
            steps = 0.5 * (speed[:, 1:] + speed[:, :-1]) * (np.diff(self.time_s) / 3600.0)
            found = np.zeros_like(speed)
            np.cumsum(steps, axis=1, out=found[:, 1:])
            self._hours[law] = found
        return found

    def mean_hours(self, law: DryingLaw) -> Floats:
        """Mean of the courses' hours (n,)."""
        found = self._means.get(law)
        if found is None:
            found = self._means[law] = self.hours(law).mean(axis=0)
        return found

    def hours_at(self, law: DryingLaw, time_s: float) -> Floats:
        """Reference hours (paths,) by an instant from ``time_s[0]`` on.

        After the last instant every course goes on at their mean speed.
        """
        hours = self.hours(law)
        last = self.time_s.size - 1
        if time_s >= self.time_s[last]:
            first = max(0, last - SPEED_FROM_H)
            span_s = self.time_s[last] - self.time_s[first]
            mean = self.mean_hours(law)
            speed = float(mean[last] - mean[first]) / span_s
            return np.asarray(hours[:, last] + speed * (time_s - self.time_s[last]))
        step_s = self.time_s[1] - self.time_s[0]
        at = max(0.0, (time_s - self.time_s[0]) / step_s)
        low = min(int(at), last - 1)
        return np.asarray(hours[:, low] + (at - low) * (hours[:, low + 1] - hours[:, low]))
