"""An outdoor forecast that somebody gave, as one more series that the outlook may learn from."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from service.shop.outlook.courses import daily_course, same_hour
from service.shop.outlook.history import HOUR_S, Floats, Grid

__all__ = ["Told", "ToldGrid"]

LONGEST_H = 48

OLDEST_S = 24 * HOUR_S
"""An issue older than this by then is not looked at."""


@dataclass(frozen=True, eq=False)
class Told:
    """Outdoor air as it was foretold: one entry for each issue and instant.

    ``issued_s`` and ``at_s`` (n,) [s since 1970], sorted by issue and then instant; ``air_c`` and
    ``dew_point_c`` (n,) [°C].
    """

    issued_s: Floats
    at_s: Floats
    air_c: Floats
    dew_point_c: Floats

    def on(self, grid: Grid) -> ToldGrid:
        """Lay what was known at each hour of a grid beside it."""
        rows = grid.hours
        times = grid.end_s - HOUR_S * np.arange(rows - 1, -1, -1, dtype=np.float64)
        out = np.full((rows, LONGEST_H + 1, 2), np.nan)
        issues, first = np.unique(self.issued_s, return_index=True)
        ends = np.append(first[1:], self.issued_s.size)
        newest = np.searchsorted(issues, times, side="right") - 1
        ahead_s = HOUR_S * np.arange(LONGEST_H + 1, dtype=np.float64)
        for row in np.flatnonzero(newest >= 0):
            issue = newest[row]
            if times[row] - issues[issue] > OLDEST_S:
                continue
            part = slice(first[issue], ends[issue])
            wanted = times[row] + ahead_s
            for v, values in enumerate((self.air_c, self.dew_point_c)):
                out[row, :, v] = np.interp(
                    wanted, self.at_s[part], values[part], left=np.nan, right=np.nan
                )
        return ToldGrid(out)


@dataclass(frozen=True, eq=False)
class ToldGrid:
    """What was foretold at each hour of a grid: ``values`` (rows, 49, 2) [°C], hours 0 to 48 on.

    NaN where nothing was.
    """

    values: Floats

    @cached_property
    def course(self) -> Floats:
        """Daily course (rows, 2) of the air outdoors as it was foretold for the hour itself."""
        return daily_course(self.values[:, 0])

    def features(self, horizon_h: int, first_row: int = 0) -> Floats:
        """Foretold anomalies (rows, 4) at the target, and how far they are from those now."""
        rows = self.values.shape[0]
        back = same_hour(rows, horizon_h)[first_row:]
        usual = np.where((back >= 0)[:, None], self.course[np.maximum(back, 0)], np.nan)
        then = self.values[first_row:, horizon_h] - usual
        now = self.values[first_row:, 0] - self.course[first_row:]
        return np.hstack([then, then - now])
