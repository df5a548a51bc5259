"""What figures over time share: two panels over one axis of time, drawn on the server as SVG."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise

from markupsafe import Markup

from service.web.svg import drawn
from service.web.words import Words

__all__ = [
    "DAMP_FOOT",
    "DAMP_TOP",
    "HEIGHT",
    "LEFT",
    "RIGHT",
    "WARM_FOOT",
    "WARM_TOP",
    "WIDTH",
    "Axis",
    "breaks",
    "levels",
    "line",
    "times",
]

WIDTH = 360
LEFT, RIGHT = 34, 322
WARM_TOP, WARM_FOOT = 14, 150
DAMP_TOP, DAMP_FOOT = 176, 236
HEIGHT = 260
GAP = 3.0
"""A step this many times the usual one breaks the line: nothing was heard in between."""

STEPS_H = (1, 3, 6, 12, 24, 48)


@dataclass(frozen=True)
class Axis:
    """A scale from values to heights; its top is the highest."""

    low: float
    high: float
    top: float
    foot: float

    @classmethod
    def over(cls, values: Sequence[float], top: float, foot: float) -> Axis:
        """Return a scale with room for all values, and for six units at least."""
        low, high = min(values), max(values)
        pad = max(0.05 * (high - low), (6.0 - (high - low)) / 2)
        return cls(low - pad, high + pad, top, foot)

    def y(self, value: float) -> float:
        """Return the height of a value, from above."""
        share = (self.high - value) / (self.high - self.low)
        return round(self.top + share * (self.foot - self.top), 1)


def levels(axis: Axis, say: Callable[[float], str], right: float = RIGHT) -> list[Markup]:
    """Draw round values across a panel; ``say`` puts one into words that end with its unit."""
    step = next((s for s in (2.0, 5.0, 10.0, 25.0, 50.0) if (axis.high - axis.low) / s <= 5), 50.0)
    first = -(-axis.low // step) * step
    level = (
        '<line class="level" x1="{}" x2="{}" y1="{y}" y2="{y}"/>'
        '<text class="course-tick" x="{}" y="{}" text-anchor="end">{}</text>'
    )
    shown = []
    while first <= axis.high:
        y = axis.y(first)
        text = say(first).rsplit(" ", 1)[0]
        shown.append(drawn(level, LEFT, right, LEFT - 5, round(y + 4, 1), text, y=y))
        first += step
    return shown


def times(
    from_at: datetime, to_at: datetime, words: Words, x: Callable[[datetime], float]
) -> list[Markup]:
    """Draw round times across both panels, in the shop's zone."""
    hours = (to_at - from_at) / timedelta(hours=1)
    step = next((s for s in STEPS_H if hours / s <= 6), STEPS_H[-1])
    at = from_at.astimezone(words.zone).replace(minute=0, second=0, microsecond=0)
    at -= timedelta(hours=at.hour % step if step < 24 else at.hour)
    shown = []
    while at <= to_at:
        if at >= from_at:
            text = words.clock(at) if step < 24 else words.weekday_short(at)
            shown.append(
                drawn(
                    '<line class="hour" x1="{x}" x2="{x}" y1="{a}" y2="{b}"/>'
                    '<text class="course-tick" x="{x}" y="{y}" text-anchor="middle">{t}</text>',
                    x=x(at),
                    a=WARM_TOP,
                    b=DAMP_FOOT,
                    y=DAMP_FOOT + 16,
                    t=text,
                )
            )
        at += timedelta(hours=step)
    return shown


def breaks(instants: Sequence[datetime]) -> set[int]:
    """Return the places before which nothing was heard for long."""
    steps = [(b - a).total_seconds() for a, b in pairwise(instants)]
    if not steps:
        return set()
    usual = sorted(steps)[len(steps) // 2]
    return {index + 1 for index, step in enumerate(steps) if step > GAP * usual}


def line(kind: str, points: Sequence[tuple[float, float | None]], broken: set[int]) -> Markup:
    """Draw a line through points; None and the places ``broken`` leave a gap."""
    path, drawing = [], False
    for index, (px, py) in enumerate(points):
        if py is None:
            drawing = False
            continue
        path.append(f"{'L' if drawing and index not in broken else 'M'}{px} {py}")
        drawing = True
    return drawn('<path class="line line-{}" d="{}"/>', kind, "".join(path))
