"""Rows of history, and what a span or a moment of them shows."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.science import uncertainty
from service.shop.air import SURFACE_ASSUMED_SD_K
from service.shop.evidence.model import AirAt, AirSpan, Bounds
from service.shop.projection import LONGEST_GAP_S

__all__ = ["FINE_S", "NEAR_S", "Doubt", "Rows", "air_at", "air_span", "instant", "missing"]

Floats = NDArray[np.float64]

FINE_S = 300.0
"""Spans are whole ones of these: single readings may be thinned out, these rows stay."""

NEAR_S = 900.0
"""A reading further from a coat than this says nothing of its moment."""


@dataclass(frozen=True)
class Doubt:
    """Standard uncertainty of a place's air: K and % RH."""

    air_sd_k: float
    rh_sd_pct: float


@dataclass(frozen=True, eq=False)
class Rows:
    """Rows of the history of the places a piece hung in, oldest first; NaN: not known.

    ``time_s`` is the start of each (s since 1970), ``step_s`` how long each is.
    """

    step_s: float
    time_s: Floats
    place: tuple[str, ...]
    count: Floats
    flagged: Floats
    left_out: Floats
    air_c: Floats
    air_min_c: Floats
    air_max_c: Floats
    rh_pct: Floats
    rh_min_pct: Floats
    rh_max_pct: Floats
    surface_c: Floats
    dew_point_c: Floats

    @classmethod
    def of(cls, step_s: float, rows: Sequence[tuple[str, Mapping[str, Any]]]) -> Rows:
        """Take a place and a row of its history at a time, oldest first."""

        def column(*path: str) -> Floats:
            return np.array([_dig(row, path) for _, row in rows], dtype=np.float64)

        return cls(
            step_s,
            np.array([row["at"].timestamp() for _, row in rows], dtype=np.float64),
            tuple(place for place, _ in rows),
            column("count"), column("flagged"), column("left_out"),
            column("air_c", "mean"), column("air_c", "min"), column("air_c", "max"),
            column("rh_pct", "mean"), column("rh_pct", "min"), column("rh_pct", "max"),
            column("surface_c"), column("dew_point_c"),
        )  # fmt: skip

    def inside(self, from_s: float, until_s: float) -> NDArray[np.bool_]:
        """Which rows begin from ``from_s`` until before ``until_s``."""
        return np.asarray((self.time_s >= from_s) & (self.time_s < until_s))


def _dig(row: Mapping[str, Any], path: Sequence[str]) -> float:
    value: Any = row
    for name in path:
        value = value[name]
    return math.nan if value is None else float(value)


def air_span(rows: Rows, from_s: float, until_s: float, doubts: Mapping[str, Doubt]) -> AirSpan:
    """Sum up the rows from ``from_s`` until before ``until_s``, both at whole five minutes.

    ``doubts`` holds the uncertainty of the air of each place.
    """
    inside = rows.inside(from_s, until_s)
    weight = rows.count[inside]
    readings, flagged = int(weight.sum()), int(rows.flagged[inside].sum())
    left_out = int(rows.left_out[inside].sum())
    gone_s, bridged_s = missing(rows.time_s[inside], rows.step_s, from_s, until_s)
    span_s = max(until_s - from_s, 1.0)
    places = list(dict.fromkeys(p for p, used in zip(rows.place, inside, strict=True) if used))
    air = _bounds(rows.air_c[inside], weight, rows.air_min_c[inside], rows.air_max_c[inside])
    rh = _bounds(rows.rh_pct[inside], weight, rows.rh_min_pct[inside], rows.rh_max_pct[inside])
    doubt = _widest([doubts[place] for place in places if place in doubts])
    dew_sd = None
    if air is not None and rh is not None and doubt is not None:
        sd = uncertainty.dew_point_sd(air.mean, rh.mean, doubt.air_sd_k, doubt.rh_sd_pct)
        dew_sd = float(sd)
    came = readings + left_out
    return AirSpan(
        from_at=instant(from_s),
        until_at=instant(until_s),
        places=tuple(places),
        readings=readings,
        flagged=flagged,
        left_out=left_out,
        flagged_share=flagged / came if came else None,
        missing_share=min(1.0, gone_s / span_s),
        bridged_share=min(1.0, bridged_s / span_s),
        air_c=air,
        rh_pct=rh,
        dew_point_c=_of_means(rows.dew_point_c[inside], weight),
        surface_c=_of_means(rows.surface_c[inside], weight),
        air_sd_k=None if air is None or doubt is None else doubt.air_sd_k,
        rh_sd_pct=None if air is None or doubt is None else doubt.rh_sd_pct,
        dew_point_sd_k=dew_sd,
    )


def air_at(rows: Rows, at_s: float, place_id: str, doubts: Mapping[str, Doubt]) -> AirAt | None:
    """Return the air of a place at a moment; None where no reading is within 15 minutes."""
    own = np.array([place == place_id for place in rows.place], dtype=np.bool_)
    here = np.flatnonzero(own & (rows.count > 0))
    if here.size == 0 or place_id not in doubts:
        return None
    starts = rows.time_s[here]
    apart = np.maximum(np.maximum(starts - at_s, at_s - (starts + rows.step_s)), 0.0)
    nearest = int(np.argmin(apart))
    if apart[nearest] > NEAR_S:
        return None
    row = int(here[nearest])
    air_c, rh_pct = float(rows.air_c[row]), float(rows.rh_pct[row])
    measured = not math.isnan(rows.surface_c[row])
    surface_c = float(rows.surface_c[row]) if measured else air_c
    dew = None if math.isnan(rows.dew_point_c[row]) else float(rows.dew_point_c[row])
    doubt = doubts[place_id]
    margin_sd = uncertainty.margin_sd(
        air_c, rh_pct, doubt.air_sd_k, doubt.rh_sd_pct, doubt.air_sd_k if measured else None
    )
    return AirAt(
        place_id=place_id,
        from_at=instant(float(rows.time_s[row])),
        apart_s=float(apart[nearest]),
        readings=int(rows.count[row]),
        flagged=bool(rows.flagged[row] > 0),
        air_c=air_c,
        rh_pct=rh_pct,
        surface_c=surface_c,
        surface_measured=measured,
        dew_point_c=dew,
        dew_point_margin_k=None if dew is None else surface_c - dew,
        air_sd_k=doubt.air_sd_k,
        rh_sd_pct=doubt.rh_sd_pct,
        dew_point_sd_k=float(
            uncertainty.dew_point_sd(air_c, rh_pct, doubt.air_sd_k, doubt.rh_sd_pct)
        ),
        # Where no probe is, the work may be somewhat warmer or colder than the air.
        dew_point_margin_sd_k=math.hypot(
            float(margin_sd), 0.0 if measured else SURFACE_ASSUMED_SD_K
        ),
    )


def missing(time_s: Floats, step_s: float, from_s: float, until_s: float) -> tuple[float, float]:
    """Return seconds of a span that no reading covers, and those of them that lie between readings.

    Readings more than an hour apart leave a hole between them, as for the drying clocks.
    """
    if time_s.size == 0:
        return until_s - from_s, 0.0
    between = np.diff(time_s) - step_s
    bridged = float(between[between > LONGEST_GAP_S].sum())
    ends = (float(time_s[0]) - from_s, until_s - float(time_s[-1]) - step_s)
    return bridged + sum(end for end in ends if end > LONGEST_GAP_S), bridged


def instant(epoch_s: float) -> datetime:
    """Return an instant from seconds since 1970."""
    return datetime.fromtimestamp(epoch_s, UTC)


def _bounds(mean: Floats, weight: Floats, low: Floats, high: Floats) -> Bounds | None:
    known = ~np.isnan(mean) & (weight > 0)
    if not known.any():
        return None
    middle, spread = _moments(mean[known], weight[known])
    return Bounds(middle, float(low[known].min()), float(high[known].max()), spread)


def _of_means(mean: Floats, weight: Floats) -> Bounds | None:
    """Bounds of what is only known as five-minute means."""
    return _bounds(mean, weight, mean, mean)


def _moments(value: Floats, weight: Floats) -> tuple[float, float]:
    middle = float(np.average(value, weights=weight))
    return middle, math.sqrt(float(np.average((value - middle) ** 2, weights=weight)))


def _widest(doubts: Sequence[Doubt]) -> Doubt | None:
    if not doubts:
        return None
    return Doubt(max(d.air_sd_k for d in doubts), max(d.rh_sd_pct for d in doubts))
