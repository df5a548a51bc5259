"""The window band: the next 48 hours as one strip, as high as *spray* is likely."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, time, timedelta

from markupsafe import Markup

from service.shop.spray_windows import SprayWindow
from service.store.window_book import SprayOutlook
from service.store.working import DAYS, Working
from service.web.svg import drawn
from service.web.words import Words

__all__ = ["draw_band", "working_spans"]

HOURS = 48
WIDTH, TOP, FOOT, HEIGHT = 360, 20, 78, 104
BENCH = 5
"""Height of the bar below the strip that says when the shop works."""
NAME_Y, TICK_Y = 13, 99
STEP = 3
"""Every so many of the ten-minute steps one is drawn: a pixel and a half on a phone."""
ROOM_FOR_WORDS = 36


def working_spans(
    working: Working, from_at: datetime, until_at: datetime, words: Words
) -> list[tuple[datetime, datetime]]:
    """Return when the shop works between two instants, in order."""
    found = []
    day = from_at.astimezone(words.zone).date()
    while day <= until_at.astimezone(words.zone).date():
        if hours := working.hours.get(DAYS[day.weekday()]):
            opens, closes = (_at(day, said, words) for said in hours)
            if closes > from_at and opens < until_at:
                found.append((max(opens, from_at), min(closes, until_at)))
        day += timedelta(days=1)
    return found


def _at(day: date, said: str, words: Words) -> datetime:
    return datetime.combine(day, time.fromisoformat(said), words.zone)


def draw_band(found: SprayOutlook, working: Working, now: datetime, words: Words) -> Markup:
    """Draw the band; empty where there is no outlook to draw."""
    if found.why_none or found.issued_at is None or not found.chances:
        return Markup()
    until = now + timedelta(hours=HOURS)
    parts = [
        drawn(
            '<svg class="band-window" viewBox="0 0 {} {}" role="img" aria-label="{}">',
            WIDTH,
            HEIGHT,
            _said(found.windows, words, now),
        ),
        drawn('<rect class="band-night" y="{}" width="{}" height="{}"/>', TOP, WIDTH, FOOT - TOP),
        *(
            drawn(
                '<rect class="band-day" x="{x}" y="{}" width="{w}" height="{}"/>'
                '<rect class="band-bench" x="{x}" y="{}" width="{w}" height="{}"/>',
                TOP,
                FOOT - TOP,
                FOOT,
                BENCH,
                x=_x(a, now),
                w=round(_x(b, now) - _x(a, now), 1),
            )
            for a, b in working_spans(working, now, until, words)
        ),
        *_chances(found, now),
        drawn('<line class="band-half" x1="0" x2="{}" y1="{y}" y2="{y}"/>', WIDTH, y=_y(0.5)),
        *_times(now, words),
        drawn(
            '<rect class="band-edge" x="0.75" y="{}" width="{}" height="{}"/>',
            TOP,
            WIDTH - 1.5,
            FOOT - TOP,
        ),
        *_labels(found.windows, now),
        drawn('<line class="band-now" x1="1.5" x2="1.5" y1="{}" y2="{}"/>', TOP - 6, FOOT),
        Markup("</svg>"),
    ]
    return Markup().join(parts)


def _x(at: datetime, now: datetime) -> float:
    share = (at - now) / timedelta(hours=HOURS)
    return round(WIDTH * min(max(share, 0.0), 1.0), 1)


def _y(chance: float) -> float:
    return round(FOOT - chance * (FOOT - TOP), 1)


def _chances(found: SprayOutlook, now: datetime) -> list[Markup]:
    """Draw how likely *spray* is: pale all along, solid where a window stands."""
    issued = found.issued_at or now
    points = [
        (issued + timedelta(minutes=10 * (n + 1)), chance)
        for n, chance in enumerate(found.chances)
        if n % STEP == 0
    ]
    points = [(at, chance) for at, chance in points if at >= now]
    if not points:
        return []
    parts = [_area("chance", [(now, points[0][1]), *points], now)]
    for window in found.windows:
        inside = [(at, c) for at, c in points if window.start_at < at < window.end_at]
        if inside:
            ends = [(window.start_at, inside[0][1]), *inside, (window.end_at, inside[-1][1])]
            parts.append(_area("chance-over", ends, now))
    return parts


def _area(kind: str, points: Sequence[tuple[datetime, float]], now: datetime) -> Markup:
    line = "L".join(f"{_x(at, now)} {_y(chance)}" for at, chance in points)
    first, last = _x(points[0][0], now), _x(points[-1][0], now)
    return drawn('<path class="{}" d="M{} {}L{}L{} {}Z"/>', kind, first, FOOT, line, last, FOOT)


def _times(now: datetime, words: Words) -> list[Markup]:
    """Draw every sixth hour, and name the days."""
    parts = []
    at = now.astimezone(words.zone).replace(minute=0, second=0, microsecond=0)
    at -= timedelta(hours=at.hour % 6)
    names = [(0.0, words.say("now"))]
    while (at := at + timedelta(hours=6)) <= now + timedelta(hours=HOURS):
        x = _x(at, now)
        midnight = at.hour == 0
        parts.append(
            drawn(
                '<line class="hour" x1="{x}" x2="{x}" y1="{a}" y2="{b}"/>',
                x=x,
                a=TOP - 8 if midnight else TOP,
                b=FOOT + BENCH + 3,
            )
        )
        if midnight:
            names.append((x, words.weekday(at).split()[0].rstrip(",")))
        if 14 < x < WIDTH - 18:
            parts.append(
                drawn(
                    '<text class="course-tick" x="{}" y="{}" text-anchor="middle">{}</text>',
                    x,
                    TICK_Y,
                    words.clock(at),
                )
            )
    ends = [x for x, _ in names[1:]] + [float(WIDTH)]
    parts += [
        drawn('<text class="band-name" x="{}" y="{}">{}</text>', x + 4, NAME_Y, name)
        for (x, name), end in zip(names, ends, strict=True)
        if end - x > 9 * len(name)
    ]
    return parts


def _labels(windows: Sequence[SprayWindow], now: datetime) -> list[Markup]:
    parts = []
    for window in windows:
        left, right = _x(window.start_at, now), _x(window.end_at, now)
        if right - left > ROOM_FOR_WORDS:
            parts.append(
                drawn(
                    '<text class="band-label" x="{}" y="{}" text-anchor="middle">{} %</text>',
                    round((left + right) / 2, 1),
                    FOOT - 8,
                    f"{100 * window.probability:.0f}",
                )
            )
    return parts


def _said(windows: Sequence[SprayWindow], words: Words, now: datetime) -> str:
    if not windows:
        return words.say("No spray window is likely in the next 48 h.")
    said = "; ".join(
        words.say(
            "{start} to {end}, {chance} % likely",
            start=words.say("now") if w.open_now else words.at(w.start_at, now),
            end=words.at(w.end_at, now),
            chance=f"{100 * w.probability:.0f}",
        )
        for w in windows
    )
    return words.say("Spray windows of the next 48 hours: {windows}.", windows=said)
