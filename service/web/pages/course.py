"""The course of a place's air, as rows for a table and as a figure."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any
from urllib.parse import urlencode

from markupsafe import Markup

from service.store.desk import PlaceView
from service.web import models
from service.web.deps import Shop
from service.web.pages.render import Renderer
from service.web.words import Words

__all__ = ["AirPoint", "Course", "air_rows", "course_figure"]

WIDTH = 360
LEFT, RIGHT = 34, 322
WARM_TOP, WARM_FOOT = 14, 150
DAMP_TOP, DAMP_FOOT = 176, 236
HEIGHT = 260
POINTS = 144
CHART_POINTS = 400
GAP = 3.0
"""A step this many times the usual one breaks the line: nothing was heard in between."""

STEPS_H = (1, 3, 6, 12, 24, 48)


@dataclass(frozen=True)
class AirPoint:
    """Mean air of one bucket (or one reading)."""

    at: datetime
    air_c: float
    rh_pct: float
    dew_point_c: float | None


@dataclass(frozen=True)
class Course:
    """A figure drawn on the server, and where the page's script finds the same rows."""

    svg: Markup
    source: str
    place: PlaceView
    from_at: datetime
    to_at: datetime
    summary: str


def air_rows(
    shop: Shop, place_id: str, from_at: datetime, to_at: datetime, points: int
) -> list[AirPoint]:
    """Read a place's air in at most ``points`` buckets, oldest first."""
    found = shop.desk.history(place_id, from_at, to_at, "auto", points)
    return [_point(row) for row in found.rows]


def course_figure(
    shop: Shop, renderer: Renderer, place: PlaceView, from_at: datetime, to_at: datetime
) -> Course:
    """Draw a place's air between two instants."""
    rows = air_rows(shop, place.id, from_at, to_at, POINTS)
    query = urlencode(
        {"from": models.iso(from_at), "to": models.iso(to_at), "points": CHART_POINTS}
    )
    return Course(
        svg=_draw(rows, from_at, to_at, renderer.words) if rows else Markup(),
        source=f"/api/v1/places/{place.id}/history?{query}",
        place=place,
        from_at=from_at,
        to_at=to_at,
        summary=_summary(rows, renderer.words),
    )


def _point(row: Mapping[str, Any]) -> AirPoint:
    return AirPoint(row["at"], _mean(row["air_c"]), _mean(row["rh_pct"]), row["dew_point_c"])


def _mean(value: Any) -> float:
    """Mean of a bucket, or the figure of a single reading."""
    return float(value["mean"] if isinstance(value, Mapping) else value)


def _summary(rows: Sequence[AirPoint], words: Words) -> str:
    if not rows:
        return "No readings in this span."
    warm, damp = [r.air_c for r in rows], [r.rh_pct for r in rows]
    return (
        f"Air {words.temperature(min(warm))} to {words.temperature(max(warm))}, "
        f"relative humidity {words.humidity(min(damp))} to {words.humidity(max(damp))}."
    )


def _draw(rows: Sequence[AirPoint], from_at: datetime, to_at: datetime, words: Words) -> Markup:
    def x(at: datetime) -> float:
        return round(LEFT + (at - from_at) / (to_at - from_at) * (RIGHT - LEFT), 1)

    dews = [r.dew_point_c for r in rows if r.dew_point_c is not None]
    warm = _Axis.over([*(r.air_c for r in rows), *dews], WARM_TOP, WARM_FOOT)
    damp = _Axis(0.0, 100.0, DAMP_TOP, DAMP_FOOT)
    broken = _breaks(rows)
    lines = [
        _line("air", [(x(r.at), warm.y(r.air_c)) for r in rows], broken),
        _line(
            "dew",
            [(x(r.at), None if r.dew_point_c is None else warm.y(r.dew_point_c)) for r in rows],
            broken,
        ),
        _line("rh", [(x(r.at), damp.y(r.rh_pct)) for r in rows], broken),
    ]
    last = rows[-1]
    names = [("Air", warm.y(last.air_c))]
    if last.dew_point_c is not None:
        names.append(("Dew", warm.y(last.dew_point_c)))
    if len(names) == 2 and names[1][1] - names[0][1] < 13:
        names = [("Air", names[0][1] - 7), ("Dew", names[0][1] + 7)]
    names.append(("RH", damp.y(last.rh_pct)))
    return Markup().join(
        [
            Markup('<svg class="course" viewBox="0 0 {} {}" role="img" aria-label="{}">').format(
                WIDTH, HEIGHT, _summary(rows, words)
            ),
            *_levels(warm, lambda c: words.temperature(c, 0)),
            *_levels(damp, lambda rh: f"{rh:.0f} %"),
            *_times(from_at, to_at, words, x),
            *lines,
            *(
                Markup('<text class="course-name" x="{}" y="{}">{}</text>').format(
                    RIGHT + 5, round(y + 4, 1), name
                )
                for name, y in names
            ),
            Markup("</svg>"),
        ]
    )


@dataclass(frozen=True)
class _Axis:
    low: float
    high: float
    top: float
    foot: float

    @classmethod
    def over(cls, values: Sequence[float], top: float, foot: float) -> _Axis:
        low, high = min(values), max(values)
        pad = max(0.05 * (high - low), (6.0 - (high - low)) / 2)
        return cls(low - pad, high + pad, top, foot)

    def y(self, value: float) -> float:
        share = (self.high - value) / (self.high - self.low)
        return round(self.top + share * (self.foot - self.top), 1)


def _levels(axis: _Axis, say: Callable[[float], str]) -> list[Markup]:
    step = next((s for s in (2.0, 5.0, 10.0, 25.0, 50.0) if (axis.high - axis.low) / s <= 5), 50.0)
    first = -(-axis.low // step) * step
    level = Markup(
        '<line class="level" x1="{}" x2="{}" y1="{y}" y2="{y}"/>'
        '<text class="course-tick" x="{}" y="{}" text-anchor="end">{}</text>'
    )
    shown = []
    while first <= axis.high:
        y = axis.y(first)
        text = say(first).rsplit(" ", 1)[0]
        shown.append(level.format(LEFT, RIGHT, LEFT - 5, round(y + 4, 1), text, y=y))
        first += step
    return shown


def _times(
    from_at: datetime, to_at: datetime, words: Words, x: Callable[[datetime], float]
) -> list[Markup]:
    hours = (to_at - from_at) / timedelta(hours=1)
    step = next((s for s in STEPS_H if hours / s <= 6), STEPS_H[-1])
    at = from_at.astimezone(words.zone).replace(minute=0, second=0, microsecond=0)
    at -= timedelta(hours=at.hour % step if step < 24 else at.hour)
    shown = []
    while at <= to_at:
        if at >= from_at:
            text = f"{at:%H:%M}" if step < 24 else f"{at:%a}"
            shown.append(
                Markup(
                    '<line class="hour" x1="{x}" x2="{x}" y1="{a}" y2="{b}"/>'
                    '<text class="course-tick" x="{x}" y="{y}" text-anchor="middle">{t}</text>'
                ).format(x=x(at), a=WARM_TOP, b=DAMP_FOOT, y=DAMP_FOOT + 16, t=text)
            )
        at += timedelta(hours=step)
    return shown


def _breaks(rows: Sequence[AirPoint]) -> set[int]:
    steps = [(b.at - a.at).total_seconds() for a, b in pairwise(rows)]
    if not steps:
        return set()
    usual = sorted(steps)[len(steps) // 2]
    return {index + 1 for index, step in enumerate(steps) if step > GAP * usual}


def _line(kind: str, points: Sequence[tuple[float, float | None]], broken: set[int]) -> Markup:
    path, drawing = [], False
    for index, (px, py) in enumerate(points):
        if py is None:
            drawing = False
            continue
        path.append(f"{'L' if drawing and index not in broken else 'M'}{px} {py}")
        drawing = True
    return Markup('<path class="line line-{}" d="{}"/>').format(kind, "".join(path))
