"""The recorded air of a place, and the same air on an even hourly grid that ends at an instant."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.science import air

__all__ = ["HOUR_S", "AirHistory", "Bools", "Floats", "Grid", "hourly"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

HOUR_S = 3600.0

HELD_S = 2400.0
"""A grid hour counts as seen where a reading is no older than this by then."""

ON_TIME_S = 60.0
"""A reading this little after an hour still counts as being on it (clocks of sensors jitter)."""


@dataclass(frozen=True)
class AirHistory:
    """Readings of one place, oldest first.

    Attributes
    ----------
    time_s : array of float
        Seconds since 1970 UTC, strictly rising.
    air_c, dew_point_c : array of float
        Air temperature and dew point [°C]; the dew point is never above the air.
    pressure_pa : array of float, optional
        Barometric pressure [Pa]; NaN where it was not reported.
    breaks_s : tuple of float
        Instants at which the record stops being one course (a sensor moved, months of different
        years joined). Nothing is learned across them.
    """

    time_s: Floats
    air_c: Floats
    dew_point_c: Floats
    pressure_pa: Floats | None = None
    breaks_s: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        """Check lengths, order and finite values."""
        for name in ("air_c", "dew_point_c", "pressure_pa"):
            values = getattr(self, name)
            if values is not None and values.shape != self.time_s.shape:
                raise ValueError(f"{name}: length differs from time_s")
        for name in ("time_s", "air_c", "dew_point_c"):
            if not np.all(np.isfinite(getattr(self, name))):
                raise ValueError(f"{name}: must be finite")
        if np.any(np.diff(self.time_s) <= 0):
            raise ValueError("time_s: must rise strictly")
        if np.any(self.dew_point_c > self.air_c + 1e-6):
            raise ValueError("dew_point_c: must not be above air_c")

    @classmethod
    def from_rh(
        cls,
        time_s: Floats,
        air_c: Floats,
        rh_pct: Floats,
        pressure_pa: Floats | None = None,
        breaks_s: tuple[float, ...] = (),
    ) -> AirHistory:
        """Return the history of readings of air [°C] and relative humidity [%, 0 to 100].

        Relative humidity below 1 % is taken as 1 %: nothing drier has a dew point that matters.
        """
        dew = np.asarray(air.dew_point(air_c, np.maximum(rh_pct, 1.0)), dtype=np.float64)
        return cls(time_s, air_c, np.minimum(dew, air_c), pressure_pa, breaks_s)

    def until(self, now_s: float) -> AirHistory:
        """Return what had been read at an instant."""
        kept = self.time_s <= now_s
        pressure = None if self.pressure_pa is None else self.pressure_pa[kept]
        known = tuple(at for at in self.breaks_s if at <= now_s)
        return AirHistory(
            self.time_s[kept], self.air_c[kept], self.dew_point_c[kept], pressure, known
        )


@dataclass(frozen=True)
class Grid:
    """A history on even hours; the last hour is the present.

    ``values`` (hours, 2) holds air and dew point [°C], NaN where not ``seen``; ``pressure_pa``
    (hours,) is filled, or None where there is none; ``segment`` counts breaks passed.
    """

    end_s: float
    values: Floats
    seen: Bools
    pressure_pa: Floats | None
    segment: Ints

    @property
    def hours(self) -> int:
        """How many hours."""
        return int(self.values.shape[0])

    @property
    def hour_angle(self) -> Floats:
        """Hour of the day (UTC) as an angle [rad]."""
        back = np.arange(self.hours - 1, -1, -1, dtype=np.float64)
        return 2.0 * np.pi * ((self.end_s / HOUR_S - back) % 24.0) / 24.0


def hourly(history: AirHistory, now_s: float, *, longest_days: float = 400.0) -> Grid:
    """Lay a history on hours that end at ``now_s``; readings after that are not looked at.

    The values are those of the last reading by then, not means of hours nor straight between two
    readings: both would already know part of what comes next. The first day is cut so that the
    grid holds whole days counted back from the present.
    """
    past = history.until(now_s)
    if past.time_s.size == 0:
        raise ValueError("history: no reading at or before now")
    span_h = min((now_s - past.time_s[0]) / HOUR_S, longest_days * 24.0)
    count = int(span_h + 1e-9) + 1
    count = count // 24 * 24 if count >= 48 else count
    times = now_s - HOUR_S * np.arange(count - 1, -1, -1, dtype=np.float64)
    last = np.searchsorted(past.time_s, times + ON_TIME_S, side="right") - 1
    index = np.maximum(last, 0)
    seen = (last >= 0) & (times - past.time_s[index] <= HELD_S)
    columns = np.column_stack([past.air_c[index], past.dew_point_c[index]])
    values = np.where(seen[:, None], columns, np.nan)
    segment = np.zeros(count, dtype=np.int64)
    for at in past.breaks_s:
        segment += times >= at
    return Grid(now_s, values, seen, _pressure(past, times), segment)


def _pressure(past: AirHistory, times: Floats) -> Floats | None:
    """Return pressure on the grid where at least half of it is there, else None."""
    if past.pressure_pa is None:
        return None
    known = np.isfinite(past.pressure_pa)
    if known.mean() < 0.5 or known.sum() < 2:
        return None
    return np.asarray(np.interp(times, past.time_s[known], past.pressure_pa[known]))
