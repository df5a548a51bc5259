"""The course of one sensor as a figure: as sent, as corrected, and what was flagged."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime

from markupsafe import Markup

from service.store.sensor_course import SensorPoint
from service.web.flag_shapes import flag_mark
from service.web.pages.plot import (
    DAMP_FOOT,
    DAMP_TOP,
    HEIGHT,
    LEFT,
    RIGHT,
    WARM_FOOT,
    WARM_TOP,
    WIDTH,
    Axis,
    breaks,
    levels,
    line,
    times,
)
from service.web.svg import drawn
from service.web.words import Words

__all__ = ["SensorChart", "sensor_chart"]

APART_PX = 9.0
"""Marks of one flag nearer than this would run into one."""

Place = Callable[[datetime], float]


@dataclass(frozen=True)
class SensorChart:
    """The figure, its summary in words, and how many readings came under each flag."""

    svg: Markup
    summary: str
    flagged: dict[str, int]
    corrected: bool


def sensor_chart(
    points: Sequence[SensorPoint], from_at: datetime, to_at: datetime, words: Words
) -> SensorChart:
    """Draw a sensor's course between two instants."""
    flagged: dict[str, int] = {}
    for point in points:
        for name in point.flags:
            flagged[name] = flagged.get(name, 0) + point.count
    shown = [p for p in points if p.counted]
    corrected = any(
        abs(p.air_c - p.raw_air_c) > 0.005 or abs(p.rh_pct - p.raw_rh_pct) > 0.005 for p in shown
    )
    summary = _summary(shown, flagged, words)
    svg = _draw(points, shown, from_at, to_at, words, summary, corrected) if shown else Markup()
    return SensorChart(svg, summary, flagged, corrected)


def _summary(shown: Sequence[SensorPoint], flagged: dict[str, int], words: Words) -> str:
    if not shown:
        return words.say("No readings in this span.")
    warm, damp = [p.air_c for p in shown], [p.rh_pct for p in shown]
    figures = {
        "coldest": words.temperature(min(warm)),
        "warmest": words.temperature(max(warm)),
        "driest": words.humidity(min(damp)),
        "dampest": words.humidity(max(damp)),
    }
    if not flagged:
        return words.say(
            "Air {coldest} to {warmest}, relative humidity {driest} to {dampest}, as corrected.",
            **figures,
        )
    return words.say(
        "Air {coldest} to {warmest}, relative humidity {driest} to {dampest}, as corrected; "
        "flagged as below.",
        **figures,
    )


def _draw(
    points: Sequence[SensorPoint],
    shown: Sequence[SensorPoint],
    from_at: datetime,
    to_at: datetime,
    words: Words,
    summary: str,
    corrected: bool,  # noqa: FBT001 -- one call
) -> Markup:
    def x(at: datetime) -> float:
        return round(LEFT + (at - from_at) / (to_at - from_at) * (RIGHT - LEFT), 1)

    both = [*(p.air_c for p in shown), *(p.raw_air_c for p in shown)]
    warm = Axis.over(both, WARM_TOP, WARM_FOOT)
    damp = Axis(0.0, 100.0, DAMP_TOP, DAMP_FOOT)
    broken = breaks([p.at for p in shown])
    lines = [
        line("air", [(x(p.at), warm.y(p.air_c)) for p in shown], broken),
        line("rh", [(x(p.at), damp.y(p.rh_pct)) for p in shown], broken),
    ]
    if corrected:
        # What was sent lies below what it is taken for.
        lines = [
            line("sent", [(x(p.at), warm.y(p.raw_air_c)) for p in shown], broken),
            line("sent", [(x(p.at), damp.y(p.raw_rh_pct)) for p in shown], broken),
            *lines,
        ]
    last = shown[-1]
    names = [(words.say("Air"), warm.y(last.air_c)), (words.say("RH"), damp.y(last.rh_pct))]
    return Markup().join(
        [
            drawn(
                '<svg class="course" viewBox="0 0 {} {}" role="img" aria-label="{}">',
                WIDTH,
                HEIGHT,
                summary,
            ),
            *levels(warm, lambda c: words.temperature(c, 0)),
            *levels(damp, lambda rh: f"{rh:.0f} %"),
            *times(from_at, to_at, words, x),
            *lines,
            *_marks(points, x, lambda p: _kept(warm, p.air_c)),
            *_marks(points, x, lambda p: _kept(damp, p.rh_pct)),
            *(
                drawn(
                    '<text class="course-name" x="{}" y="{}">{}</text>',
                    RIGHT + 5,
                    round(y + 4, 1),
                    name,
                )
                for name, y in names
            ),
            Markup("</svg>"),
        ]
    )


def _kept(axis: Axis, value: float) -> float:
    """Height of a value; one beyond the panel is drawn at its edge."""
    return min(max(axis.y(value), axis.top), axis.foot)


def _marks(
    points: Sequence[SensorPoint], x: Place, y: Callable[[SensorPoint], float]
) -> list[Markup]:
    last: dict[str, float] = {}
    drawn = []
    for point in points:
        for above, name in enumerate(point.flags):
            at = x(point.at)
            if at - last.get(name, -APART_PX) >= APART_PX:
                last[name] = at
                drawn.append(flag_mark(name, at, y(point) - 11.0 * above))
    return drawn
