"""The moisture of a plate from the first coat to the flaw, lagging behind the air."""

from __future__ import annotations

import numpy as np

from service.science import wood
from service.science.woods import WOODS
from service.shop.evidence.model import WoodCourse, WoodPoint
from service.shop.evidence.rows import Rows, instant
from service.shop.wood_watch import Plate

__all__ = ["wood_course"]

DAY_S = 86_400.0
LEAD_S = 14 * DAY_S
"""So long before the first coat the air still bears on the wood's moisture at it."""

LEAST_LEAD_S = 3 * DAY_S
SURE_PCT, UNSURE_PCT = 0.3, 0.6
"""Standard uncertainty of the change of moisture, with three days of record before the first coat
and without (assumed)."""

MOST_POINTS = 120


def wood_course(rows: Rows, plate: Plate, first_s: float, until_s: float) -> WoodCourse | None:
    """Follow a plate through hourly rows that begin up to two weeks before the first coat.

    None where less than two hours of the time from ``first_s`` to ``until_s`` are on record.
    """
    used = rows.inside(first_s - LEAD_S, until_s) & ~np.isnan(rows.rh_pct)
    time_s = rows.time_s[used] + rows.step_s / 2  # an hour's mean stands for its middle
    after = time_s >= first_s
    if np.count_nonzero(after) < 2:
        return None
    air_c, rh_pct = rows.air_c[used], rows.rh_pct[used]
    target = np.asarray(wood.equilibrium_moisture(air_c, rh_pct))
    led = time_s[0] <= first_s - LEAST_LEAD_S
    # Where it came from is not known: the mean of the first part of the record stands for it.
    start = float(np.mean(target[~after] if led else target[: max(1, target.size // 8)]))
    course = wood.moisture_course(
        time_s, air_c, rh_pct, start_pct=start, response_s=plate.response_s
    )
    first = float(np.interp(first_s, time_s, course))
    last, seen = float(course[-1]), np.append(course[after], first)
    moved = wood.movement(plate.width_mm, WOODS[plate.wood].radial, last - first)
    every = max(1, -(-int(np.count_nonzero(after)) // MOST_POINTS))
    return WoodCourse(
        board=plate.wood,
        thickness_mm=plate.thickness_mm,
        width_mm=plate.width_mm,
        response_h=plate.response_s / 3600.0,
        first_pct=first,
        last_pct=last,
        driest_pct=float(seen.min()),
        wettest_pct=float(seen.max()),
        change_pct=last - first,
        change_sd_pct=SURE_PCT if led else UNSURE_PCT,
        moved_mm=float(moved),
        points=tuple(
            WoodPoint(instant(float(at)), float(is_at), float(goes_to))
            for at, is_at, goes_to in zip(
                time_s[after][::every], course[after][::every], target[after][::every], strict=True
            )
        ),
    )
