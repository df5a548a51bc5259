"""Flaws: the kinds we know, and the air and waits behind a coat as plain figures."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np

from service.science import air as moist
from service.shop.projection import AirCourse

__all__ = ["FLAW_KINDS", "AirWindow", "CoatEvidence", "air_window"]

FLAW_KINDS: tuple[tuple[str, str, str], ...] = (
    ("blush", "Blush", "a white or milky bloom in the film"),
    ("pinholes", "Pinholes", "tiny holes down into the film"),
    ("solvent_pop", "Solvent pop", "small burst bubbles, often in a heavy coat"),
    ("orange_peel", "Orange peel", "an uneven, pebbled surface that did not flow out"),
    ("runs", "Runs and sags", "a curtain or tear where too much lay wet"),
    ("dry_spray", "Dry spray", "a rough, sandy surface: droplets that landed half dry"),
    ("wrinkling", "Wrinkling", "a skin that has lifted and creased"),
    ("fisheyes", "Fisheyes", "round craters that the finish draws back from"),
    ("printing", "Printing", "marks pressed in by padding, a stand or a hand"),
    ("gummy_sanding", "Gummy sanding", "a film that rolls up and clogs the paper"),
    ("sink_back", "Sink-back", "a levelled surface that shows pores or scratches again"),
    ("witness_lines", "Witness lines", "edges of earlier coats showing after levelling"),
    ("checking", "Cold checks and crazing", "fine cracks through the film"),
    ("delamination", "Delamination", "a coat that lets go of the one below"),
    ("open_seam", "Open seam", "a joint that has come apart"),
    ("moved_plate", "Moved plate", "a top or back that has risen, sunk or cupped"),
    ("other", "Other", "something else; say what in the note"),
)

BEFORE_S = 3600.0
AFTER_S = 7200.0


@dataclass(frozen=True)
class AirWindow:
    """Air over a stretch of time: lowest, mean and highest; ``readings`` may be zero."""

    from_at: datetime
    until_at: datetime
    readings: int
    air_min_c: float | None
    air_mean_c: float | None
    air_max_c: float | None
    rh_min_pct: float | None
    rh_mean_pct: float | None
    rh_max_pct: float | None
    dew_point_mean_c: float | None


@dataclass(frozen=True)
class CoatEvidence:
    """What the record knows of one coat."""

    coat_id: int
    step_key: str
    material_id: str
    at: datetime
    place_id: str
    wet_um: float
    retarder_pct: float
    who: str
    before: AirWindow
    after: AirWindow
    air_at: dict[str, float | str | None]
    waited_clock: float | None
    """Clock of the coat below, towards the mark it had to reach, when this one went on."""
    waited_mark: str | None


def air_window(course: AirCourse, from_at: datetime, until_at: datetime) -> AirWindow:
    """Sum up the readings from ``from_at`` to ``until_at``."""
    inside = (course.time_s >= from_at.timestamp()) & (course.time_s <= until_at.timestamp())
    count = int(np.count_nonzero(inside))
    if count == 0:
        return AirWindow(from_at, until_at, 0, None, None, None, None, None, None, None)
    air_c, rh = course.air_c[inside], course.rh_pct[inside]
    damp = rh > 0
    dew = float(np.mean(moist.dew_point(air_c[damp], rh[damp]))) if damp.any() else None
    return AirWindow(
        from_at,
        until_at,
        count,
        float(air_c.min()),
        float(air_c.mean()),
        float(air_c.max()),
        float(rh.min()),
        float(rh.mean()),
        float(rh.max()),
        dew,
    )
