"""A piece that came in cold: how warm its surface is, and when it may be sprayed.

Left out of its case in the air of the place, a plate warms in minutes and a neck in most of an
hour. What is reckoned is the cautious side: still air, a closed body that gains no heat from
within, and of all that is to be coated the part that lags most.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from service.science import slab, wood
from service.science.plate import WOODS, Wood
from service.shop.air import Air, altered
from service.shop.wood_watch import Plate

__all__ = [
    "STILL_AIR_W_M2K",
    "Body",
    "ColdWork",
    "DampWood",
    "bodies_of",
    "cold_work",
    "colder",
    "damp_wood",
    "warmed_by",
]

Floats = NDArray[np.float64]

STILL_AIR_W_M2K = 1.0 / 0.17
"""Heat from still indoor air to a surface, radiation and all: ISO 6946, the highest of its internal
surface resistances (0.10, 0.13 and 0.17 m² K/W by direction), which is the cautious one."""

NEAR_K = 1.0
"""So near to the air the work counts as warmed through."""

FORGOTTEN_K = 0.2
"""Once it is nearer than this, that it came in cold no longer matters."""

LONGEST = timedelta(hours=12)
"""No part of an instrument stays cold in a room for longer (assumed)."""

SOLID_MM = 10.0
"""A plate of this thickness or more is a solid body with air on both faces (assumed); a thinner one
closes a box, whose inside gives it nothing."""

THICK_PARTS_MM = {"neck": 22.0, "head": 15.0}
"""Thickness of parts that are no plates (common practice); the air is on both their faces."""

STEP_S, LOOK_AHEAD_S = 300.0, 6 * 3600.0

NEAR_MOISTURE_PCT = 0.5
"""Wood so near to the moisture of its place moves no more than glue lines bear (assumed)."""


@dataclass(frozen=True)
class Body:
    """A part as heat sees it: its name, the way from an open face to the middle, and its wood."""

    name: str
    depth_mm: float
    wood: Wood


@dataclass(frozen=True, eq=False)
class ColdWork:
    """A piece that came in at ``wood_c``, as its coldest part is reckoned now and from now on.

    ``ahead_s`` (from now) and ``ahead_c`` are its surface in the air as it is now. ``near_at`` is
    when that is within 1 K of the air; None: later than can be told.
    """

    since: datetime
    wood_c: float
    part: str
    now: datetime
    surface_c: float
    near_at: datetime | None
    ahead_s: Floats
    ahead_c: Floats

    def clear_at(self, dew_point_c: float, margin_k: float) -> datetime | None:
        """When it is so far above the dew point; None: not in the hours that are looked at."""
        lacks = dew_point_c + margin_k - self.ahead_c
        found = _first_within(self.ahead_s, lacks, 0.0)
        return None if found is None else self.now + timedelta(seconds=found)


@dataclass(frozen=True)
class DampWood:
    """Moisture of wood that came from other air: then, where it goes, and when it is near."""

    moisture_pct: float
    here_pct: float
    near_at: datetime


WOOD_WORDS = {wood: wood for wood in WOODS} | {
    "fichte": "spruce",
    "zeder": "cedar",
    "mahagoni": "mahogany",
    "nussbaum": "walnut",
    "ahorn": "maple",
}
"""Words of a piece's woods in the languages of the pages."""


def bodies_of(woods: str, plate_mm: float, parts: Sequence[str] = ()) -> tuple[Body, ...]:
    """Return what is to be coated as plates and thick parts; without ``parts`` all of it.

    Of the woods that are named the densest counts, which warms last; maple where none is known.
    """
    lower = woods.lower()
    named = [WOODS[wood] for word, wood in WOOD_WORDS.items() if word in lower]
    densest = max(named, key=lambda kind: kind.density_kg_m3, default=WOODS["maple"])
    asked = set(parts) or {"top", *THICK_PARTS_MM}
    thick = [Body(name, mm / 2.0, densest) for name, mm in THICK_PARTS_MM.items() if name in asked]
    depth = plate_mm / 2.0 if plate_mm >= SOLID_MM else plate_mm
    plate = [Body("body", depth, densest)] if asked - set(THICK_PARTS_MM) else []
    return (*plate, *thick)


def cold_work(
    bodies: Sequence[Body],
    *,
    since: datetime,
    wood_c: float,
    now: datetime,
    time_s: Floats,
    air_c: Floats,
    air_now_c: float,
) -> ColdWork | None:
    """Reckon the surface of a piece that came in at ``wood_c``; None once it is as the air.

    Parameters
    ----------
    bodies : sequence of Body
        What is to be coated; the coldest of it counts.
    time_s, air_c : array
        Record of the air it hung in, s since 1970, oldest first; held where nothing was read.
    air_now_c : float
        Air about it now, which is held from now on.
    """
    if not bodies or not timedelta(0) <= now - since <= LONGEST:
        return None
    start, present = since.timestamp(), now.timestamp()
    inside = time_s[(time_s > start) & (time_s < present - 1.0)]
    past = np.concatenate(([start], inside, [present] if present > start else []))
    about = np.interp(past, time_s, air_c) if time_s.size else np.full(past.size, air_now_c)
    if present > start:
        about[-1] = air_now_c
    ahead = np.arange(STEP_S, LOOK_AHEAD_S + 1.0, STEP_S)
    times = np.concatenate((past, present + ahead))
    airs = np.concatenate((about, np.full(ahead.size, air_now_c)))
    courses = [
        slab.face_temperature(
            times - start,
            airs,
            start_c=wood_c,
            depth_mm=body.depth_mm,
            wood=body.wood,
            h_w_m2k=STILL_AIR_W_M2K,
        )[past.size - 1 :]
        for body in bodies
    ]
    coldest = min(range(len(bodies)), key=lambda i: float(courses[i][0]))
    face = courses[coldest]
    if abs(float(face[0]) - air_now_c) < FORGOTTEN_K:
        return None
    offsets = np.concatenate(([0.0], ahead))
    near = _first_within(offsets, np.abs(face - air_now_c), NEAR_K)
    return ColdWork(
        since=since,
        wood_c=wood_c,
        part=bodies[coldest].name,
        now=now,
        surface_c=float(face[0]),
        near_at=None if near is None else now + timedelta(seconds=near),
        ahead_s=offsets,
        ahead_c=face,
    )


def colder(air: Air, cold: ColdWork) -> Air:
    """Return the air with the coldest of its surfaces and the reckoned work, as if measured."""
    if cold.surface_c >= air.surface_c:
        return air
    return altered(air, surface_c=cold.surface_c, surface_measured=True)


def warmed_by(surface_c: float, air_c: float, minutes: float, bodies: Sequence[Body]) -> float:
    """Surface, °C, after so many minutes in held air, of what lags most and is now all this cold.

    `minutes` 0 to 1,440.
    """
    if minutes <= 0.0 or not bodies:
        return surface_c
    after = [
        float(
            slab.face_temperature(
                [0.0, minutes * 60.0],
                [air_c, air_c],
                start_c=surface_c,
                depth_mm=body.depth_mm,
                wood=body.wood,
                h_w_m2k=STILL_AIR_W_M2K,
            )[-1]
        )
        for body in bodies
    ]
    return min(after) if surface_c < air_c else max(after)


def damp_wood(
    plate: Plate,
    *,
    since: datetime,
    wood_c: float,
    wood_rh_pct: float,
    air_c: float,
    rh_pct: float,
) -> DampWood:
    """Say when a plate that came from other air has the moisture of this place, within 0.5 %.

    First order by the plate's thickness and finish (``wood.response_time``), to be believed
    within a factor of two. Information; it stands in nobody's way.
    """
    came = float(wood.equilibrium_moisture(wood_c, wood_rh_pct))
    here = float(wood.equilibrium_moisture(air_c, rh_pct))
    apart = max(abs(came - here), NEAR_MOISTURE_PCT)
    seconds = plate.response_s * math.log(apart / NEAR_MOISTURE_PCT)
    whole = math.ceil(seconds / 60.0) * 60
    return DampWood(came, here, since.astimezone(UTC) + timedelta(seconds=whole))


def _first_within(offsets_s: Floats, gap: Floats, near: float) -> float | None:
    """When a falling gap first is as small as ``near``; by straight lines between the steps."""
    found = np.flatnonzero(gap <= near)
    if found.size == 0:
        return None
    index = int(found[0])
    if index == 0:
        return 0.0
    before, after = float(gap[index - 1]), float(gap[index])
    share = (before - near) / (before - after)
    return float(offsets_s[index - 1] + share * (offsets_s[index] - offsets_s[index - 1]))
