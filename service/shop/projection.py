"""When a coat reaches its marks: the recorded air behind it, and the air expected ahead."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from service.science import drying
from service.shop.learning import Z80, MarkScale, mark_sd
from service.shop.materials import Mark, Material

__all__ = ["REFERENCE", "AirCourse", "ReadyTime", "ready_times"]

Floats = NDArray[np.float64]

REFERENCE: Mapping[str, MarkScale] = {}
"""Nothing learned: every mark as its material gives it."""

FUTURE_SD = 0.10
"""Further spread (log) of the clock's speed in air that is yet to come (assumed)."""

GAP_SD = 0.35
"""Spread (log) of the clock's speed over a hole in the record (assumed)."""

LONGEST_GAP_S = 3600.0
"""Readings further apart than this leave a hole in the record."""

HORIZON_DAYS = 120.0
"""A mark further away than this in the air as it is now gets no date."""


@dataclass(frozen=True)
class AirCourse:
    """Air that a piece hung in, oldest first: epoch seconds, °C, % RH; equal lengths."""

    time_s: Floats
    air_c: Floats
    rh_pct: Floats


@dataclass(frozen=True)
class ReadyTime:
    """One mark of one coat.

    ``clock`` runs from 0 to 1 at the middle estimate. ``ready_from`` to ``ready_until`` is the
    80 % range. All three instants are None where no air was ever recorded. ``gap_h`` counts hours
    of the wait without a reading. A window that closes again does so at ``closes_at``, and from
    ``closes_from`` on (one time in ten) it may have: then it counts as ``closed``.
    """

    mark: str
    clock: float
    elapsed_h: float
    needed_h: float
    ready_at: datetime | None
    ready_from: datetime | None
    ready_until: datetime | None
    reached: bool
    surely: bool
    gap_h: float
    trailing_gap_h: float
    basis: str
    closes_at: datetime | None = None
    closes_from: datetime | None = None
    closed: bool = False


def ready_times(
    material: Material,
    *,
    coat_at: datetime,
    film_um: float,
    air: AirCourse,
    now: datetime,
    scales: Mapping[str, MarkScale] = REFERENCE,
) -> tuple[ReadyTime, ...]:
    """Reckon every mark of a coat, soonest first.

    Parameters
    ----------
    material : Material
        Its drying law and marks.
    coat_at, now : datetime
        When the coat went on; the present.
    film_um : float
        Film that must dry, µm wet (see ``drying.effective_film``).
    air : AirCourse
        Readings from shortly before ``coat_at`` to ``now``. Holes are bridged by the air on
        either side and widen the range; ahead of ``now`` the newest air is held.
    scales : mapping
        How much longer than the reference this shop's drying takes to each mark, and its spread, as
        learned; a mark that is not in it stands as the material gives it.
    """
    marks = sorted(material.marks.values(), key=lambda mark: mark.hours)
    if air.time_s.size == 0 or now < coat_at:
        return tuple(_without_air(mark, scales) for mark in marks)
    start, end = coat_at.timestamp(), now.timestamp()
    course = _clipped(air, start, end)
    hours = np.asarray(
        drying.cumulative_hours(
            course.time_s, course.air_c, course.rh_pct, material.drying, film_um=film_um
        )
    )
    speed_ahead = float(
        drying.rate(material.drying, float(course.air_c[-1]), float(course.rh_pct[-1]), film_um)
    )
    gap_h, trailing_h = _gaps(air, start, end)
    return tuple(
        _ready(mark, scales, course.time_s, hours, speed_ahead, gap_h, trailing_h) for mark in marks
    )


def _clipped(air: AirCourse, start: float, end: float) -> AirCourse:
    """Cut to [start, end]; the air at the ends is interpolated, or held where nothing is beyond."""
    inside = (air.time_s > start) & (air.time_s < end)
    times = np.concatenate(([start], air.time_s[inside], [end] if end > start else []))
    return AirCourse(
        times,
        np.interp(times, air.time_s, air.air_c),
        np.interp(times, air.time_s, air.rh_pct),
    )


def _gaps(air: AirCourse, start: float, end: float) -> tuple[float, float]:
    inside = air.time_s[(air.time_s > start) & (air.time_s < end)]
    before = air.time_s[air.time_s <= start]
    after = air.time_s[air.time_s >= end]
    # A reading just outside the span covers its edge as well as one inside.
    first = before[-1:] if before.size else np.array([start - LONGEST_GAP_S - 1.0])
    ends = after[:1] if after.size else np.array([end])
    stamps = np.concatenate((first, inside, ends))
    steps = np.diff(stamps)
    visible = np.minimum(stamps[1:], end) - np.maximum(stamps[:-1], start)
    holes = float(np.sum(visible[steps > LONGEST_GAP_S])) / 3600.0
    trailing = 0.0 if after.size else float(max(0.0, end - stamps[-2])) / 3600.0
    return holes, trailing


def _ready(
    mark: Mark,
    scales: Mapping[str, MarkScale],
    time_s: Floats,
    hours: Floats,
    speed_ahead: float,
    gap_h: float,
    trailing_h: float,
) -> ReadyTime:
    learned = scales.get(mark.name)
    scale = 1.0 if learned is None else learned.middle
    needed = mark.hours * scale
    elapsed = float(hours[-1])
    waited_h = max((time_s[-1] - time_s[0]) / 3600.0, 1e-9)
    hole = GAP_SD * min(1.0, gap_h / waited_h)
    behind_sd = math.hypot(mark_sd(mark) if learned is None else learned.sd_log, hole)

    def when(z: float, reference_h: float = needed) -> datetime | None:
        wanted = reference_h * math.exp(z * behind_sd)
        if wanted <= elapsed:
            return _instant(float(np.interp(wanted, hours, time_s)))
        speed = speed_ahead * math.exp(-z * FUTURE_SD)
        ahead_h = (wanted - elapsed) / speed if speed > 0 else math.inf
        if ahead_h > HORIZON_DAYS * 24:
            return None
        return _instant(float(time_s[-1]) + ahead_h * 3600.0)

    late = when(Z80)
    closes = None if mark.closes_hours is None else mark.closes_hours * scale
    return ReadyTime(
        mark=mark.name,
        clock=min(1.0, elapsed / needed),
        elapsed_h=elapsed,
        needed_h=needed,
        ready_at=when(0.0),
        ready_from=when(-Z80),
        ready_until=late,
        reached=elapsed >= needed,
        surely=elapsed >= needed * math.exp(Z80 * behind_sd),
        gap_h=gap_h,
        trailing_gap_h=trailing_h,
        basis=mark.basis,
        closes_at=None if closes is None else when(0.0, closes),
        closes_from=None if closes is None else when(-Z80, closes),
        closed=closes is not None and elapsed >= closes * math.exp(-Z80 * behind_sd),
    )


def _without_air(mark: Mark, scales: Mapping[str, MarkScale]) -> ReadyTime:
    learned = scales.get(mark.name)
    return ReadyTime(
        mark=mark.name,
        clock=0.0,
        elapsed_h=0.0,
        needed_h=mark.hours * (1.0 if learned is None else learned.middle),
        ready_at=None,
        ready_from=None,
        ready_until=None,
        reached=False,
        surely=False,
        gap_h=0.0,
        trailing_gap_h=0.0,
        basis=mark.basis,
    )


def _instant(epoch_s: float) -> datetime:
    return datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=epoch_s)
