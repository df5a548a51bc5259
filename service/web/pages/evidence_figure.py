"""The time strip of a flaw: coats, waits and moves over the air, drawn on the server.

It reaches from before the first coat to the flaw. Where the coats fill only a small part of the
time, they are given the first part of the strip and the rest is drawn closer together behind a gap.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from markupsafe import Markup

from service.shop.evidence.model import Evidence
from service.shop.evidence.rows import Rows, instant
from service.web.pages.plot import Axis, breaks, levels, line
from service.web.svg import drawn
from service.web.words import Words

__all__ = ["Scale", "evidence_figure"]

WIDTH, HEIGHT = 368, 404
LEFT, RIGHT = 34, 322
WORK_TOP, WORK_FOOT = 14, 62
WARM_TOP, WARM_FOOT = 74, 206
DAMP_TOP, DAMP_FOOT = 226, 286
WOOD_TOP, WOOD_FOOT = 306, 360

COATS_PART = 0.62
"""Part of the strip that the coats get where they would fill less than half of it."""

CUT = 10.0
"""Width of the gap between the two parts."""

MOST_ROWS, FEWER_ROWS = 200, 60
WIDE_S = 6 * 3600
"""Rows as long as this are drawn with the lowest and highest of them, for a mean hides the day."""

Course = Callable[[datetime, datetime, int], Rows]
"""Gives the air between two instants in at most about so many rows."""


@dataclass(frozen=True)
class Scale:
    """From instants to places: straight, or in two parts that meet at ``cut_at``."""

    from_at: datetime
    until_at: datetime
    cut_at: datetime | None

    @classmethod
    def of(cls, evidence: Evidence) -> Scale:
        """Choose a scale on which the coats can be told apart."""
        begin, end = evidence.from_at, max(evidence.until_at, evidence.from_at + timedelta(hours=1))
        if not evidence.coats:
            return cls(begin, end, None)
        cut = evidence.coats[-1].at + timedelta(hours=12)
        small = cut < end and (cut - begin) / (end - begin) < 0.5
        return cls(begin, end, cut if small else None)

    def x(self, at: datetime) -> float:
        """Place of an instant."""
        if self.cut_at is None:
            return _between(at, self.from_at, self.until_at, LEFT, RIGHT)
        middle = LEFT + COATS_PART * (RIGHT - LEFT)
        if at <= self.cut_at:
            return _between(at, self.from_at, self.cut_at, LEFT, middle - CUT / 2)
        return _between(at, self.cut_at, self.until_at, middle + CUT / 2, RIGHT)

    @property
    def cut_x(self) -> float | None:
        """Middle of the gap."""
        return None if self.cut_at is None else LEFT + COATS_PART * (RIGHT - LEFT)

    @property
    def parts(self) -> list[tuple[datetime, datetime, int]]:
        """Each part: from, until, and how many rows of air have room in it."""
        if self.cut_at is None:
            return [(self.from_at, self.until_at, MOST_ROWS)]
        return [
            (self.from_at, self.cut_at, MOST_ROWS),
            (self.cut_at, self.until_at, FEWER_ROWS),
        ]


def evidence_figure(evidence: Evidence, course: Course, words: Words, now: datetime) -> Markup:
    """Draw the strip; empty where nothing was read and no coat is on record."""
    scale = Scale.of(evidence)
    parts = [course(*part) for part in scale.parts]
    if not evidence.coats and not any(rows.time_s.size for rows in parts):
        return Markup()
    return Markup().join(
        [
            drawn(
                '<svg class="course strip-of-flaw" viewBox="0 0 {} {}" role="img" aria-label="{}">',
                WIDTH,
                HEIGHT,
                _summary(evidence, words, now),
            ),
            *_days(scale, words),
            *_air(evidence, parts, scale, words),
            *_wood(evidence, scale, words),
            *_work(evidence, scale, words),
            Markup("</svg>"),
        ]
    )


def _summary(evidence: Evidence, words: Words, now: datetime) -> str:
    coats = len(evidence.coats)
    return words.say(
        "{coats} and the air around them, from {start} to {end}; the same is told in words and "
        "tables below.",
        coats=words.tongue.ngettext("%(num)s coat", "%(num)s coats", coats) % {"num": coats},
        start=words.at(evidence.from_at, now),
        end=words.at(evidence.until_at, now),
    )


def _between(at: datetime, first: datetime, last: datetime, low: float, high: float) -> float:
    share = (at - first) / max(last - first, timedelta(seconds=1))
    return round(low + min(max(share, 0.0), 1.0) * (high - low), 1)


def _days(scale: Scale, words: Words) -> list[Markup]:
    """Draw the days, as many as have room; and the gap where the strip is in two parts."""
    shapes = []
    day = scale.from_at.astimezone(words.zone).replace(hour=0, minute=0, second=0, microsecond=0)
    last_x = -math.inf
    short = scale.until_at - scale.from_at < timedelta(days=1.5)
    step = timedelta(hours=6) if short else timedelta(days=1)
    while day <= scale.until_at:
        x = scale.x(day)
        if day >= scale.from_at and x - last_x >= 52:
            text = words.clock(day) if short else words.day(day, day)
            shapes.append(
                drawn(
                    '<line class="hour" x1="{x}" x2="{x}" y1="{a}" y2="{b}"/>'
                    '<text class="course-tick" x="{x}" y="{y}" text-anchor="middle">{t}</text>',
                    x=x,
                    a=WORK_FOOT,
                    b=WOOD_FOOT,
                    y=WOOD_FOOT + 16,
                    t=text,
                )
            )
            last_x = x
        day += step
    if scale.cut_x is not None:
        shapes.append(
            drawn('<path class="measure" d="M{a} {top}l4 6-4 6 4 6M{a} {foot}l4 6-4 6 4 6"/>'
                '<text class="course-tick" x="{x}" y="{y}" text-anchor="middle">'
                "{t}</text>",
                t=words.say("closer together"),
                a=scale.cut_x - 2, top=WARM_TOP - 8, foot=WOOD_FOOT - 14,
                x=(scale.cut_x + RIGHT) / 2, y=WOOD_FOOT + 32,
            )
        )  # fmt: skip
    return shapes


def _air(evidence: Evidence, parts: Sequence[Rows], scale: Scale, words: Words) -> list[Markup]:
    floors = [(c.at, c.film_at.film_floor_c) for c in evidence.coats if c.film_at is not None]
    heights = [floor for _, floor in floors]
    for rows in parts:
        both = (rows.air_min_c, rows.air_max_c) if _wide(rows) else (rows.air_c,)
        heights += [float(v) for values in (*both, rows.dew_point_c) for v in values]
    heights = [height for height in heights if not math.isnan(height)]
    if not heights:
        return []
    warm, damp = Axis.over(heights, WARM_TOP, WARM_FOOT), Axis(0.0, 100.0, DAMP_TOP, DAMP_FOOT)
    shapes = [
        *levels(warm, lambda c: words.temperature(c, 0)),
        *levels(damp, lambda rh: f"{rh:.0f} %"),
    ]
    for rows, (begins, ends, _) in zip(parts, scale.parts, strict=True):
        shapes += _part(rows, begins, ends, scale, warm, damp)
    shapes += [
        drawn(
            '<path class="coat-mark" d="M{} {}l4.5 4.5-4.5 4.5-4.5-4.5z"/>',
            scale.x(coat_at),
            round(warm.y(floor) - 4.5, 1),
        )
        for coat_at, floor in floors
    ]
    last = next((rows for rows in reversed(parts) if rows.time_s.size), None)
    return shapes if last is None else shapes + _names(last, warm, damp, words)


def _part(
    rows: Rows, begins: datetime, ends: datetime, scale: Scale, warm: Axis, damp: Axis
) -> list[Markup]:
    """Draw the air of one part: lines of means, over their spread where a row is long."""
    middle = timedelta(seconds=rows.step_s / 2)
    just_inside = begins + timedelta(seconds=1)  # what is at the cut belongs to the part before
    at = [min(max(instant(float(t)) + middle, just_inside), ends) for t in rows.time_s]
    xs, broken = [scale.x(a) for a in at], breaks(at)
    shapes = []
    if _wide(rows):
        shapes += [
            _band("air", xs, rows.air_min_c.tolist(), rows.air_max_c.tolist(), warm),
            _band("rh", xs, rows.rh_min_pct.tolist(), rows.rh_max_pct.tolist(), damp),
        ]
    for kind, values, axis in (
        ("air", rows.air_c.tolist(), warm),
        ("dew", rows.dew_point_c.tolist(), warm),
        ("rh", rows.rh_pct.tolist(), damp),
    ):
        points = [
            (x, None if math.isnan(v) else axis.y(v)) for x, v in zip(xs, values, strict=True)
        ]
        shapes.append(line(kind, points, broken))
    return shapes


def _wide(rows: Rows) -> bool:
    return rows.step_s >= WIDE_S


def _band(kind: str, xs: list[float], low: list[float], high: list[float], axis: Axis) -> Markup:
    tops = [f"{x} {axis.y(v)}" for x, v in zip(xs, high, strict=True)]
    feet = [f"{x} {axis.y(v)}" for x, v in zip(xs, low, strict=True)]
    return drawn('<path class="fan fan-{}" d="M{}z"/>', kind, "L".join([*tops, *reversed(feet)]))


def _wood(evidence: Evidence, scale: Scale, words: Words) -> list[Markup]:
    """Draw the plate's moisture, and what it would have come to in that air."""
    points = evidence.wood.points if evidence.wood is not None else ()
    if not points:
        return []
    values = [v for p in points for v in (p.moisture_pct, p.equilibrium_pct)]
    axis = Axis.over(values, WOOD_TOP, WOOD_FOOT)
    after = (i for i, p in enumerate(points) if scale.cut_at is not None and p.at > scale.cut_at)
    broken = set(list(after)[:1])
    xs = [scale.x(p.at) for p in points]
    is_at = [(x, axis.y(p.moisture_pct)) for x, p in zip(xs, points, strict=True)]
    goes_to = [(x, axis.y(p.equilibrium_pct)) for x, p in zip(xs, points, strict=True)]
    return [
        *levels(axis, lambda pct: f"{pct:.0f} %"),
        line("goes", goes_to, broken),
        line("wood", is_at, broken),
        _name(words.say("Wood"), is_at[-1][1]),
    ]


def _name(name: str, y: float) -> Markup:
    text = '<text class="course-name" x="{}" y="{}">{}</text>'
    return drawn(text, RIGHT + 5, round(y + 4, 1), name)


def _names(rows: Rows, warm: Axis, damp: Axis, words: Words) -> list[Markup]:
    names, air, dew = [], words.say("Air"), words.say("Dew")
    if rows.time_s.size:
        names = [(air, warm.y(float(rows.air_c[-1])))]
        if not math.isnan(rows.dew_point_c[-1]):
            names.append((dew, warm.y(float(rows.dew_point_c[-1]))))
            if names[1][1] - names[0][1] < 13:
                names = [(air, names[0][1] - 7), (dew, names[0][1] + 7)]
        names.append((words.say("RH"), damp.y(float(rows.rh_pct[-1]))))
    return [_name(name, y) for name, y in names]


def _work(evidence: Evidence, scale: Scale, words: Words) -> list[Markup]:
    """Draw what was done along the top: coats as drops of ink, waits as bars, steps and moves."""
    bar_y, shapes = WORK_FOOT - 12, []
    for coat in evidence.coats:
        if coat.waited is not None:
            start = coat.at - timedelta(hours=coat.waited.waited_h)
            a, b = scale.x(max(start, scale.from_at)), scale.x(coat.at)
            done = a + (b - a) * min(1.0, coat.waited.clock)
            shapes.append(
                drawn(
                    '<rect class="strip-bed" x="{a}" y="{y}" width="{w}" height="8"/>'
                    '<rect class="strip-fill" x="{a}" y="{y}" width="{d}" height="8"/>',
                    a=a,
                    y=bar_y,
                    w=round(max(b - a - 1.5, 0.5), 1),
                    d=round(max(done - a - 1.5, 0), 1),
                )
            )
    last_x = -math.inf
    for number, coat in enumerate(evidence.coats, 1):
        x = scale.x(coat.at)
        shapes.append(
            drawn(
                '<line class="coat-line" x1="{x}" x2="{x}" y1="{a}" y2="{b}"/>',
                x=x,
                a=WORK_TOP + 16,
                b=WARM_FOOT,
            )
        )
        if x - last_x >= 15:
            shapes.append(
                drawn(
                    '<text class="course-name" x="{}" y="{}" text-anchor="middle">{}</text>',
                    x,
                    WORK_TOP + 12,
                    number,
                )
            )
            last_x = x
    shapes += [
        drawn('<path class="measure" d="M{} {}h8m-8 4h8"/>', scale.x(s.at) - 4, bar_y - 9)
        for s in evidence.steps
    ]
    shapes += [
        drawn('<path class="coat-mark" d="M{} {}v9l7-4.5z"/>', scale.x(m.at) - 3, WORK_FOOT + 1)
        for m in evidence.moves
    ]
    x = scale.x(evidence.until_at)
    shapes.append(
        drawn(
            '<line class="flaw-line" x1="{x}" x2="{x}" y1="{a}" y2="{b}"/>'
            '<text class="course-name" x="{t}" y="{y}" text-anchor="end">{name}</text>',
            x=x,
            a=WORK_TOP + 16,
            b=WOOD_FOOT,
            t=RIGHT + 34,
            y=WORK_TOP + 12,
            name=words.say("Flaw"),
        )
    )
    return shapes
