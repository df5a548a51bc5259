"""When a coat reaches its marks: the recorded air behind it, and the air expected ahead.

Ahead of the newest reading the air is that of the outlook's courses, where the place has one; else
the newest air is held. A mark is reached when enough of the courses, each with the doubt about the
material's own time scale, have reached it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from service.science import drying
from service.shop.ahead import Ahead
from service.shop.clock_run import ClockRun, Hole, share_of
from service.shop.learning import Z80, MarkScale, given_not_yet, mark_sd
from service.shop.materials import Mark, Material
from service.shop.moves import Moved

__all__ = [
    "NOTHING_SAID",
    "REFERENCE",
    "AirCourse",
    "Hole",
    "ReadyTime",
    "clock_at",
    "holes_in",
    "ready_times",
]

Floats = NDArray[np.float64]

REFERENCE: Mapping[str, MarkScale] = {}
"""Nothing learned: every mark as its material gives it."""

NOTHING_SAID: Mapping[str, float] = {}
"""No tap has said of this coat that it was not ready."""

FUTURE_SD = 0.10
"""Further spread (log) of the clock's speed in air that is yet to come and is only held
(assumed)."""

GAP_SD = 0.35
"""Spread (log) of the clock's speed over a hole in the record that no hindcast bridges
(assumed)."""

LONGEST_GAP_S = 3600.0
"""Readings further apart than this leave a hole in the record."""

HORIZON_DAYS = 120.0
"""A mark further away than this in the air to be expected gets no date."""


Keep = Callable[[float, Callable[[], ClockRun]], ClockRun]


def _made_anew(_until_s: float, run: Callable[[], ClockRun]) -> ClockRun:
    return run()


@dataclass(frozen=True, eq=False)
class AirCourse:
    """Air that a piece hung in, oldest first: epoch seconds, °C, % RH; equal lengths.

    Nobody writes to the arrays: the same course may be handed to several threads.
    """

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
    ahead: Ahead | Moved | None = None,
    holes: Sequence[Hole] = (),
    not_yet: Mapping[str, float] = NOTHING_SAID,
    keep: Keep = _made_anew,
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
        Readings from shortly before ``coat_at`` to ``now``.
    scales : mapping
        How much longer than the reference this shop's drying takes, by mark, and how well that is
        known; a mark that is not in it is as its material gives it.
    ahead : Ahead or Moved, optional
        Courses of the air from the newest reading on, with the moves that are planned. Unset, the
        newest air is held ahead of ``now``, with a wider range.
    holes : sequence of Hole
        How the air may have gone while nothing was read (see :func:`holes_in`). Other holes are
        bridged by the air on either side and widen the range.
    not_yet : mapping
        Reference hours on this coat's clock at which a tap last said of a mark that it was not
        reached: it is later than that, and the ready times are those of such coats alone. The
        scale of such a mark must not be learned from that tap.
    keep : callable
        Given the instant until which the clock ran on the record, and a function that runs it,
        returns its result or the same kept; it depends on everything but ``now``, the scales and
        ``not_yet``.
    """
    marks = sorted(material.marks.values(), key=lambda mark: mark.hours)
    if air.time_s.size == 0 or now < coat_at:
        return tuple(_without_air(mark, scales) for mark in marks)
    start, end = coat_at.timestamp(), now.timestamp()
    gap_h, trailing_h = _gaps(air, start, end)
    if ahead is not None and ahead.time_s[0] > end:
        ahead = None
    known_until = end
    if ahead is not None:
        known_until = max(start, min(end, max(float(air.time_s[-1]), float(ahead.time_s[0]))))

    def made() -> ClockRun:
        course = _clipped(air, start, known_until)
        told = course.time_s, course.air_c, course.rh_pct
        return ClockRun.of(material.drying, film_um, told, ahead, holes)

    run = made() if known_until == end else keep(known_until, made)
    bridged_h = sum(float(h.time_s[-1] - h.time_s[0]) for h in holes) / 3600.0
    waited_h = max((end - start) / 3600.0, 1e-9)
    open_h = gap_h - bridged_h - (0.0 if ahead is None else trailing_h)
    hole_sd = GAP_SD * min(1.0, max(0.0, open_h) / waited_h)
    by_now = run.courses(end)
    elapsed_h = float(np.median(by_now))
    return tuple(
        _ready(
            mark,
            scales,
            run,
            end,
            by_now,
            elapsed_h,
            hole_sd,
            gap_h,
            trailing_h,
            not_yet.get(mark.name),
        )
        for mark in marks
    )


def clock_at(
    material: Material, mark: str, coat_at: datetime, film_um: float, air: AirCourse, at: datetime
) -> float:
    """Clock of one mark of an earlier coat, by the material's own hours, 0 to 1.

    The soonest mark stands in where the material has no such one; 0 where no air is known.
    """
    wanted = material.marks.get(mark) or min(material.marks.values(), key=lambda m: m.hours)
    if air.time_s.size == 0 or at <= coat_at:
        return 0.0
    course = _clipped(air, coat_at.timestamp(), at.timestamp())
    hours = drying.equivalent_hours(
        course.time_s, course.air_c, course.rh_pct, material.drying, film_um
    )
    return min(1.0, hours / wanted.hours)


def holes_in(air: AirCourse, start: datetime, end: datetime) -> tuple[tuple[float, float], ...]:
    """Return stretches (s since 1970) between two instants that no reading covers.

    What follows the last reading is not among them.
    """
    first, last = start.timestamp(), end.timestamp()
    wide = np.flatnonzero(np.diff(air.time_s) > LONGEST_GAP_S)
    found = [(float(air.time_s[i]), float(air.time_s[i + 1])) for i in wide]
    return tuple((a, b) for a, b in found if b > first and a < last)


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
    run: ClockRun,
    now_s: float,
    by_now: Floats | float,
    elapsed: float,
    hole_sd: float,
    gap_h: float,
    trailing_h: float,
    not_yet_h: float | None,
) -> ReadyTime:
    learned = scales.get(mark.name)
    scale = 1.0 if learned is None else learned.middle
    sd = math.hypot(mark_sd(mark) if learned is None else learned.sd_log, hole_sd)
    usual = mark.hours * scale

    def needed_at(z: float) -> float:
        """Hours whose quantile at ``z`` is that of the coats that this one can still be."""
        if not not_yet_h:
            return usual
        later = given_not_yet(z, math.log(not_yet_h / usual) / sd)
        return usual * math.exp((later - z) * sd)

    needed = needed_at(0.0)

    def when(z: float, reference_h: float | None = None) -> datetime | None:
        hours = needed_at(z) if reference_h is None else reference_h
        at = run.reached_at(hours, sd, z, held_sd=FUTURE_SD)
        if at is None or at > now_s + HORIZON_DAYS * 86_400.0:
            return None
        return _instant(at)

    closes = None if mark.closes_hours is None else mark.closes_hours * scale
    return ReadyTime(
        mark=mark.name,
        clock=min(1.0, elapsed / needed),
        elapsed_h=elapsed,
        needed_h=needed,
        ready_at=when(0.0),
        ready_from=when(-Z80),
        ready_until=when(Z80),
        reached=elapsed >= needed,
        surely=share_of(by_now, needed_at(HIGH_Z), sd) >= HIGH_SHARE,
        gap_h=gap_h,
        trailing_gap_h=trailing_h,
        basis=mark.basis,
        closes_at=None if closes is None else when(0.0, closes),
        closes_from=None if closes is None else when(-Z80, closes),
        closed=closes is not None and share_of(by_now, closes, sd) >= 1.0 - HIGH_SHARE,
    )


HIGH_SHARE, HIGH_Z = 0.9, Z80
"""Share of the courses by which a mark is surely reached, and the normal deviate of it; the rest of
it: may be reached."""


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
