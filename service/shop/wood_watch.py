"""Wood that hangs in a place: its moisture, how far the plates move, and when to say so.

A place that keeps instruments should stay between 45 and 55 % RH (common practice). A door that
stands open for a while matters to nobody; what counts is the air over several hours, which is what
a plate can follow.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from service.science import wood
from service.science.woods import FINISHES, WOODS
from service.shop.said import say

__all__ = ["BAND_PCT", "NOMINAL", "Plate", "PlateMoves", "WoodWatch", "plate_of", "watch"]

Floats = NDArray[np.float64]
State = Literal["inside", "dry", "damp", "unknown"]

BAND_PCT = (45.0, 55.0)
"""Where an instrument is kept (common practice)."""

SLACK_PCT = 2.0
"""How far beyond the band the air must have gone before it is told, so that it is told once."""

OVER_S = 6 * 3600.0
"""Air is judged by its mean over so long (assumed)."""

LEAST_S = 0.5 * OVER_S
"""With less of that on record nothing is said."""

FAST_PCT_DAY = 0.7
"""Change of a plate's moisture in a day that opens joints and cracks (assumed)."""

WOOD_WORDS = (
    ("spruce", "Sitka spruce"), ("cedar", "western redcedar"), ("maple", "sugar maple"),
    ("walnut", "black walnut"), ("cherry", "black cherry"), ("birch", "yellow birch"),
    ("mahogany", "mahogany"), ("rosewood", "Indian rosewood"), ("ebony", "ebony"),
    ("basswood", "American basswood"), ("poplar", "yellow-poplar"),
    ("fichte", "European spruce"), ("zeder", "western redcedar"), ("ahorn", "sugar maple"),
    ("nussbaum", "black walnut"), ("kirsch", "black cherry"), ("birke", "yellow birch"),
    ("mahagoni", "mahogany"), ("palisander", "Indian rosewood"), ("ebenholz", "ebony"),
    ("linde", "American basswood"), ("pappel", "yellow-poplar"),
)  # fmt: skip
"""Words of a piece's woods in the languages of the pages, and the board that stands for them."""


@dataclass(frozen=True)
class Plate:
    """A plate across whose grain movement counts, quarter-sawn.

    ``outside`` and ``inside`` are what covers its faces, by name in ``woods.FINISHES``.
    """

    name: str
    wood: str
    thickness_mm: float
    width_mm: float = 380.0
    outside: str = "bare"
    inside: str = "bare"

    @property
    def response_s(self) -> float:
        """Time constant with which its moisture follows the air."""
        faces = FINISHES[self.outside], FINISHES[self.inside]
        return float(wood.response_time(self.thickness_mm, *faces))


NOMINAL = Plate(say("bare spruce top"), "Sitka spruce", 2.8)
"""Stands for the wood of a place where no piece hangs."""


@dataclass(frozen=True)
class PlateMoves:
    """Moisture of a plate now, a day ago and tomorrow, and its width then against now."""

    plate: Plate
    moisture_pct: float
    yesterday_pct: float
    tomorrow_pct: float
    moved_mm: float
    will_move_mm: float

    @property
    def too_fast(self) -> bool:
        """Whether its moisture changes by more in a day than wood likes."""
        steps = (self.moisture_pct - self.yesterday_pct, self.tomorrow_pct - self.moisture_pct)
        return max(map(abs, steps)) > FAST_PCT_DAY


@dataclass(frozen=True)
class WoodWatch:
    """What a place does to wood.

    ``state`` tells on which side of the band the air of the last hours is, and ``since`` when it
    left it. ``equilibrium_pct`` is what wood would come to if it stayed like this.
    """

    state: State
    since: datetime | None
    rh_pct: float | None
    equilibrium_pct: float | None
    tomorrow_equilibrium_pct: float | None
    plates: tuple[PlateMoves, ...]


def plate_of(name: str, woods: str, thickness_mm: float, *, coated: bool) -> Plate:
    """Return the plate that stands for a piece, by the first of its woods that is known."""
    lower = woods.lower()
    named = sorted((lower.index(word), board) for word, board in WOOD_WORDS if word in lower)
    first = named[0][1] if named else NOMINAL.wood
    return Plate(name, first, thickness_mm, outside="lacquer" if coated else "bare")


def watch(
    time_s: Floats,
    air_c: Floats,
    rh_pct: Floats,
    *,
    now_s: float,
    plates: Sequence[Plate] = (NOMINAL,),
    ahead: tuple[Floats, Floats, Floats] | None = None,
) -> WoodWatch:
    """Say how the air of a place stands to wood.

    Parameters
    ----------
    time_s, air_c, rh_pct : array
        The record of some two weeks up to ``now_s``, oldest first, in steps of an hour or less.
    plates : sequence of Plate
        What hangs there.
    ahead : (time_s, air_c, rh_pct), optional
        The middle of the outlook over the next day; None: the air of the last hours is held.
    """
    recent = time_s > now_s - OVER_S
    if not recent.any() or now_s - time_s[recent][0] < LEAST_S:
        return WoodWatch("unknown", None, None, None, None, ())
    mean_rh = float(np.mean(rh_pct[recent]))
    mean_c = float(np.mean(air_c[recent]))
    times, airs, humidities = _with_tomorrow(
        time_s, air_c, rh_pct, now_s, ahead or _held(now_s, mean_c, mean_rh)
    )
    moves = tuple(_moves(plate, times, airs, humidities, now_s) for plate in plates)
    state, since = _band(time_s, rh_pct, mean_rh)
    last_day = times > now_s + 18 * 3600.0
    return WoodWatch(
        state=state,
        since=since,
        rh_pct=mean_rh,
        equilibrium_pct=float(wood.equilibrium_moisture(mean_c, mean_rh)),
        tomorrow_equilibrium_pct=float(
            np.mean(wood.equilibrium_moisture(airs[last_day], humidities[last_day]))
        ),
        plates=moves,
    )


def _held(now_s: float, air_c: float, rh_pct: float) -> tuple[Floats, Floats, Floats]:
    times = now_s + np.arange(1.0, 25.0) * 3600.0
    return times, np.full(24, air_c), np.full(24, rh_pct)


def _with_tomorrow(
    time_s: Floats,
    air_c: Floats,
    rh_pct: Floats,
    now_s: float,
    ahead: tuple[Floats, Floats, Floats],
) -> tuple[Floats, Floats, Floats]:
    known, coming = time_s <= now_s, ahead[0] > now_s
    joined = tuple(
        np.concatenate((past[known], future[coming]))
        for past, future in zip((time_s, air_c, rh_pct), ahead, strict=True)
    )
    return joined[0], joined[1], np.clip(joined[2], 0.0, 100.0)


def _moves(
    plate: Plate, times: Floats, airs: Floats, humidities: Floats, now_s: float
) -> PlateMoves:
    # Where it came from is not known; two weeks of record outlast what a thin plate remembers.
    start = float(np.mean(wood.equilibrium_moisture(airs, humidities)[: max(1, times.size // 8)]))
    course = wood.moisture_course(
        times, airs, humidities, start_pct=start, response_s=plate.response_s
    )
    now, before, after = (
        float(np.interp(now_s + day * 86_400.0, times, course)) for day in (0.0, -1.0, 1.0)
    )
    coefficient = WOODS[plate.wood].radial

    def moved(change_pct: float) -> float:
        return float(wood.movement(plate.width_mm, coefficient, change_pct))

    return PlateMoves(plate, now, before, after, moved(now - before), moved(after - now))


def _band(time_s: Floats, rh_pct: Floats, mean_rh: float) -> tuple[State, datetime | None]:
    """Return the side of the band, and since when the hours' mean has been on it."""
    low, high = BAND_PCT
    if low - SLACK_PCT <= mean_rh <= high + SLACK_PCT:
        return "inside", None
    means = np.array(
        [np.mean(rh_pct[(time_s > t - OVER_S) & (time_s <= t)]) for t in time_s.tolist()]
    )
    inside = (means >= low) & (means <= high)
    side: State = "dry" if mean_rh < low else "damp"
    other = means > high if side == "dry" else means < low
    before = np.flatnonzero(inside | other)
    first = before[-1] + 1 if before.size else 0
    began = float(time_s[min(first, time_s.size - 1)])
    return side, datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=began)
