"""A piece of work laid out in time: where it hung, in what air, what was done, what still runs."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from markupsafe import Markup

from service.shop.cards import InstrumentCard
from service.shop.projection import ReadyTime
from service.store.desk import LogEntry
from service.web import phrases
from service.web.deps import Shop
from service.web.pages.course import AirPoint, air_rows
from service.web.pages.plot import Axis, breaks, levels, line
from service.web.svg import drawn
from service.web.words import Words

__all__ = ["Stay", "draw_piece", "shown_marks", "span_of", "stays_of"]

WIDTH, LEFT, RIGHT = 360, 34, 354
STAY_TOP, STAY_FOOT = 22, 42
AIR_TOP, AIR_FOOT = 52, 128
ACT_Y = 146
RUN_TOP, RUN_STEP, RUN_HIGH = 164, 34, 14
LETTER = 8.4
"""About the width of a letter."""

LONGEST_PAST = timedelta(days=9)
LEAST_PAST, LEAST_AHEAD = timedelta(hours=20), timedelta(hours=4)
LONGEST_AHEAD = timedelta(days=30)
PAST_TO_AHEAD = 1.5
TICKS_H = (1, 2, 3, 6, 12, 24, 48, 96, 168, 336)

SHAPES = {
    "coat": '<path class="done-mark" d="M{x} {a}q7 9 0 12q-7 -3 0 -12z"/>',
    "step": '<rect class="done-step" x="{l}" y="{b}" width="7" height="7"/>',
    "flaw": '<path class="done-step" d="M{l} {b}l7 7m0 -7l-7 7"/>',
}

X = Callable[[datetime], float]


@dataclass(frozen=True)
class Stay:
    """A stretch of a piece in one place, and the air there."""

    place_id: str
    name: str
    from_at: datetime
    until_at: datetime
    air: tuple[AirPoint, ...]


def shown_marks(card: InstrumentCard) -> list[ReadyTime]:
    """Return the waits of the last coat that are drawn, soonest first.

    Those that still run up to the one that the piece waits for, and the last one that is over.
    """
    marks = [m for m in card.marks if m.ready_at is not None]
    wanted = card.act.wait
    if wanted is not None and wanted.ready_at is not None:
        marks = [m for m in marks if m.needed_h <= wanted.needed_h]
    over = [m for m in marks if m.reached]
    return over[-1:] + [m for m in marks if not m.reached][:3]


def span_of(card: InstrumentCard, log: Sequence[LogEntry], now: datetime) -> tuple[datetime, ...]:
    """Choose from when to when is drawn: all of the open wait, and some of what was done."""
    ends = [m.ready_until for m in shown_marks(card) if m.ready_until and not m.reached]
    ahead = min(max([LEAST_AHEAD, *(1.06 * (end - now) for end in ends)]), LONGEST_AHEAD)
    past = min(max(LEAST_PAST, PAST_TO_AHEAD * ahead), LONGEST_PAST)
    wait = card.act.wait
    if wait is not None and not wait.reached and card.last_coat_at is not None:
        past = max(past, 1.05 * (now - card.last_coat_at))
    done = [entry.at for entry in log if not entry.undone]
    first = min(done, default=now) - timedelta(minutes=30)
    return max(first, now - past), now + ahead


def stays_of(
    shop: Shop, names: dict[str, str], log: Sequence[LogEntry], from_at: datetime, now: datetime
) -> list[Stay]:
    """Return where a piece hung since ``from_at``, with the air there."""
    hung = sorted((e.at, e.place_id) for e in log if e.kind == "hung" and not e.undone)
    found = []
    for index, (at, place_id) in enumerate(hung):
        until = hung[index + 1][0] if index + 1 < len(hung) else now
        start = max(at, from_at)
        if place_id is None or until <= start:
            continue
        share = (until - start) / (now - from_at)
        rows = air_rows(shop, place_id, start, until, max(2, round(120 * share)))
        found.append(Stay(place_id, names.get(place_id, place_id), start, until, tuple(rows)))
    return found


def draw_piece(
    card: InstrumentCard,
    log: Sequence[LogEntry],
    stays: Sequence[Stay],
    span: tuple[datetime, ...],
    now: datetime,
    words: Words,
) -> Markup:
    """Draw the strip of a piece."""
    from_at, until = span[0], span[1]

    def x(at: datetime) -> float:
        share = (at - from_at) / (until - from_at)
        return round(LEFT + min(max(share, 0.0), 1.0) * (RIGHT - LEFT), 1)

    marks = shown_marks(card)
    foot = RUN_TOP + RUN_STEP * len(marks)
    parts = [
        drawn(
            '<svg class="clock-strip" viewBox="0 0 {} {}" role="img" aria-label="{}">',
            WIDTH,
            foot + 20,
            _said(card, log, from_at, now, words),
        ),
        *_times(from_at, until, foot, words, x),
        *_stays(stays, x),
        *_air(stays, words, x),
        *_acts(log, from_at, x),
        # Under the names of the waits, which may lie across it.
        drawn(
            '<line class="now-line" x1="{x}" x2="{x}" y1="{}" y2="{}"/>'
            '<text class="now-name" x="{x}" y="13" text-anchor="middle">{}</text>',
            18,
            foot,
            words.say("now"),
            x=x(now),
        ),
        *(
            run
            for n, mark in enumerate(marks)
            for run in _run(mark, card.last_coat_at or now, RUN_TOP + RUN_STEP * n, now, x, words)
        ),
        Markup("</svg>"),
    ]
    return Markup().join(parts)


def _times(from_at: datetime, until: datetime, foot: float, words: Words, x: X) -> list[Markup]:
    hours = (until - from_at) / timedelta(hours=1)
    step = next((s for s in TICKS_H if hours / s <= 6), TICKS_H[-1])
    at = from_at.astimezone(words.zone).replace(minute=0, second=0, microsecond=0)
    at -= timedelta(hours=at.hour % step if step < 24 else at.hour)
    shown = []
    while (at := at + timedelta(hours=step)) <= until:
        if at <= from_at:
            continue
        said = words.clock(at) if step < 24 and at.hour else f"{words.weekday_short(at)} {at.day}"
        shown.append(
            drawn(
                '<line class="hour" x1="{x}" x2="{x}" y1="{}" y2="{}"/>'
                '<text class="course-tick" x="{x}" y="{}" text-anchor="middle">{}</text>',
                STAY_TOP,
                foot,
                foot + 15,
                said,
                x=x(at),
            )
            if LEFT + 10 < x(at) < RIGHT - 16
            else Markup()
        )
    return shown


def _stays(stays: Sequence[Stay], x: X) -> list[Markup]:
    parts = []
    for stay in stays:
        left, right = x(stay.from_at), x(stay.until_at)
        parts.append(
            drawn(
                '<rect class="stay" x="{}" y="{}" width="{}" height="{}"/>',
                left,
                STAY_TOP,
                round(max(right - left - 1, 1.0), 1),
                STAY_FOOT - STAY_TOP,
            )
        )
        if right - left > LETTER * len(stay.name) + 6:
            parts.append(
                drawn(
                    '<text class="stay-name" x="{}" y="{}">{}</text>',
                    left + 4,
                    STAY_FOOT - 6,
                    stay.name,
                )
            )
    return parts


def _air(stays: Sequence[Stay], words: Words, x: X) -> list[Markup]:
    rows = [row for stay in stays for row in stay.air]
    if not rows:
        return [
            drawn(
                '<text class="course-tick" x="{}" y="{}">{}</text>',
                LEFT + 4,
                (AIR_TOP + AIR_FOOT) / 2,
                words.say("no reading of its air"),
            )
        ]
    dews = [row.dew_point_c for row in rows if row.dew_point_c is not None]
    axis = Axis.over([*(row.air_c for row in rows), *dews], AIR_TOP, AIR_FOOT)
    parts = levels(axis, lambda c: words.temperature(c, 0), right=RIGHT)
    for stay in stays:
        broken = breaks([row.at for row in stay.air])
        parts.append(line("air", [(x(r.at), axis.y(r.air_c)) for r in stay.air], broken))
        parts.append(
            line(
                "dew",
                [
                    (x(r.at), None if r.dew_point_c is None else axis.y(r.dew_point_c))
                    for r in stay.air
                ],
                broken,
            )
        )
    return parts


def _acts(log: Sequence[LogEntry], from_at: datetime, x: X) -> list[Markup]:
    """Draw a drop for each coat, a square for each step, a cross for each flaw."""
    parts = []
    for entry in sorted(log, key=lambda e: e.at):
        if entry.undone or entry.at < from_at:
            continue
        at = x(entry.at)
        shape = SHAPES.get(entry.kind)
        if shape is not None:
            parts.append(drawn(shape, x=at, l=round(at - 3.5, 1), a=ACT_Y - 7, b=ACT_Y - 3))
    return parts


def _run(
    mark: ReadyTime, since: datetime, top: float, now: datetime, x: X, words: Words
) -> list[Markup]:
    """Draw one wait: what has passed is filled, where it ends eight times in ten is hatched."""
    name = words.tongue.gettext(phrases.mark_name(mark.mark))
    bar = top + 16
    if mark.ready_at is None:
        return []
    left, here = x(since), x(now)
    when = words.at(mark.ready_at, now)
    said = (
        words.say("{mark}: reached {at}", mark=name, at=when)
        if mark.reached
        else words.say("{mark}: about {at}", mark=name, at=when)
    )
    wide = len(said) * LETTER
    at = max(min(left, RIGHT - wide), LEFT)
    parts = [drawn('<text class="run-name" x="{}" y="{}">{}</text>', round(at, 1), top + 11, said)]
    filled = min(here, x(mark.ready_at)) if mark.reached else here
    parts.append(
        drawn(
            '<rect class="run" x="{}" y="{}" width="{}" height="{}"/>',
            left,
            bar,
            round(max(filled - left, 1.0), 1),
            RUN_HIGH,
        )
    )
    if mark.reached or mark.ready_from is None:
        return parts
    first, middle = x(mark.ready_from), x(mark.ready_at)
    last = RIGHT if mark.ready_until is None else x(mark.ready_until)
    strokes = int((last - first) / 4)
    return [
        *parts,
        drawn(
            '<rect class="run-bed" x="{}" y="{}" width="{}" height="{}"/>',
            left,
            bar,
            round(max(last - left, 1.0), 1),
            RUN_HIGH,
        ),
        *(
            drawn(
                '<line class="hatch-line" x1="{x}" x2="{x}" y1="{}" y2="{}"/>',
                bar,
                bar + RUN_HIGH,
                x=round(first + 4 * n, 1),
            )
            for n in range(strokes + 1)
        ),
        drawn(
            '<line class="run-mid" x1="{x}" x2="{x}" y1="{}" y2="{}"/>',
            bar - 3,
            bar + RUN_HIGH + 3,
            x=middle,
        ),
    ]


def _said(
    card: InstrumentCard, log: Sequence[LogEntry], from_at: datetime, now: datetime, words: Words
) -> str:
    done = [e for e in log if not e.undone and e.at >= from_at]
    coats = sum(e.kind == "coat" for e in done)
    steps = sum(e.kind == "step" for e in done)
    waits = "; ".join(
        (
            words.say("{mark}: reached {at}", mark=name, at=words.at(m.ready_at, now))
            if m.reached
            else words.say("{mark}: about {at}", mark=name, at=words.at(m.ready_at, now))
        )
        for m in shown_marks(card)
        if (name := words.tongue.gettext(phrases.mark_name(m.mark)))
    )
    said = words.say(
        "Since {at}: {coats} coats, {steps} steps done.",
        at=words.at(from_at, now),
        coats=coats,
        steps=steps,
    )
    return f"{said} {phrases.first_upper(waits)}." if waits else said
