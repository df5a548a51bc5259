"""The outlook of a place: what its air may do, and when it may be sprayed in."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from typing import Annotated

from fastapi import APIRouter, Query, Request
from markupsafe import Markup
from starlette.responses import Response

from service.shop.materials import Material
from service.shop.spray_windows import SprayWindow
from service.web.deps import Shop, ShopDep
from service.web.outlook_answers import (
    HourOut,
    best_today,
    hours_of,
    stretch_words,
    window_words,
)
from service.web.pages.band import draw_band
from service.web.pages.outlook_table import days_of
from service.web.pages.plot import LEFT, RIGHT, WARM_TOP, Axis
from service.web.pages.render import renderer_of
from service.web.svg import drawn
from service.web.words import Words

__all__ = ["router"]

router = APIRouter()

FOOT, BAND_TOP, BAND_FOOT, TICKS_Y, HEIGHT = 190, 200, 212, 228, 236
WIDTH = 372
EVERY_H = 8


@router.get("/outlook/{place_id}")
def get_outlook(
    place_id: str,
    request: Request,
    shop: ShopDep,
    material: Annotated[str | None, Query(max_length=64)] = None,
) -> Response:
    """Show the fan of the air to come, the spray windows and a table."""
    renderer = renderer_of(request)
    now = shop.clock.now()
    place = shop.desk.place(place_id)
    sprayed = [m for m in shop.desk.catalogue.materials.values() if m.blend is not None]
    chosen = _chosen(shop, sprayed, material)
    issue, why_none = shop.desk.outlook(place_id)
    check = shop.desk.spray_check(place_id, chosen.id)
    found = shop.desk.windows(place_id, check, wait=issue is not None)
    hours = [] if issue is None else hours_of(issue)
    return renderer.page(
        request,
        "outlook.html",
        place=place,
        sprayed=sprayed,
        chosen=chosen,
        why_none=why_none,
        days=None if issue is None else issue.days,
        table=days_of(hours, found, renderer.words),
        found=found,
        best=best_today(found.windows, renderer.words, now),
        stretch=stretch_words,
        next_words=window_words(found, renderer.words, now),
        fan=draw_band(found, shop.planner.working(), now, renderer.words)
        + (_fan(hours, found.windows, now, renderer.words) if hours else Markup()),
    )


def _chosen(shop: Shop, sprayed: Sequence[Material], asked: str | None) -> Material:
    """Return the material asked for, or what a piece on the bench needs next."""
    by_id = {material.id: material for material in sprayed}
    for wanted in (asked, *(card.act.material_id for card in shop.desk.cards())):
        if wanted in by_id:
            return by_id[wanted]
    return sprayed[0]


def _fan(
    hours: Sequence[HourOut], windows: Sequence[SprayWindow], now: datetime, words: Words
) -> Markup:
    """Draw air and dew point with their 80 % ranges, and the windows in a band below."""
    from_at, to_at = now, hours[-1].at

    def x(at: datetime) -> float:
        part = (max(at, from_at) - from_at) / (to_at - from_at)
        return round(LEFT + part * (RIGHT - LEFT), 1)

    axis = Axis.over(
        [
            v
            for h in hours
            for v in (h.air_c.p10, h.air_c.p90, h.dew_point_c.p10, h.dew_point_c.p90)
        ],
        WARM_TOP,
        FOOT,
    )
    said = words.say("Air and dew point expected over the next 48 h.")
    said = f"{said} {_said(windows, words, now)}"
    parts = [
        drawn(
            '<svg class="course outlook" viewBox="0 0 {} {}" role="img" aria-label="{}">',
            WIDTH,
            HEIGHT,
            said,
        ),
        *_levels(axis, words),
        *_hours(from_at, to_at, words, x),
    ]
    for kind in ("dew", "air"):
        rows = [(h.at, h.dew_point_c if kind == "dew" else h.air_c) for h in hours]
        upper = [f"{x(at)} {axis.y(q.p90)}" for at, q in rows]
        lower = [f"{x(at)} {axis.y(q.p10)}" for at, q in reversed(rows)]
        parts.append(drawn('<path class="fan fan-{}" d="M{}Z"/>', kind, "L".join(upper + lower)))
        middle = "L".join(f"{x(at)} {axis.y(q.p50)}" for at, q in rows)
        parts.append(drawn('<path class="line line-{}" d="M{}"/>', kind, middle))
    parts += [_band(w, x) for w in windows]
    last = hours[-1]
    names = [
        (words.say("Air"), axis.y(last.air_c.p50)),
        (words.say("Dew"), axis.y(last.dew_point_c.p50)),
    ]
    if names[1][1] - names[0][1] < 13:
        names = [(words.say("Air"), names[0][1] - 7), (words.say("Dew"), names[0][1] + 7)]
    names.append(("%", BAND_FOOT - 6))
    parts += [
        drawn('<text class="course-name" x="{}" y="{}">{}</text>', RIGHT + 5, round(y + 4, 1), name)
        for name, y in names
    ]
    return Markup().join([*parts, Markup("</svg>")])


def _said(windows: Sequence[SprayWindow], words: Words, now: datetime) -> str:
    if not windows:
        return words.say("No spray window is likely.")
    return " ".join(
        words.say(
            "Spray from {start} to {end}, {chance} %.",
            start=words.at(w.start_at, now),
            end=words.at(w.end_at, now),
            chance=f"{100 * w.probability:.0f}",
        )
        for w in windows
    )


def _band(window: SprayWindow, x: Callable[[datetime], float]) -> Markup:
    left, right = x(window.start_at), x(window.end_at)
    text = Markup("")
    if right - left > 30:
        text = drawn(
            '<text class="band-text" x="{}" y="{}" text-anchor="middle">{} %</text>',
            round((left + right) / 2, 1),
            BAND_FOOT - 2,
            f"{100 * window.probability:.0f}",
        )
    shape = '<rect class="band" x="{}" y="{}" width="{}" height="{}"/>'
    width, height = round(max(right - left, 2.0), 1), BAND_FOOT - BAND_TOP
    return drawn(shape, left, BAND_TOP, width, height) + text


def _levels(axis: Axis, words: Words) -> list[Markup]:
    step = next((s for s in (2.0, 5.0, 10.0) if (axis.high - axis.low) / s <= 6), 10.0)
    first = -(-axis.low // step) * step
    values = [first + step * i for i in range(int((axis.high - first) / step) + 1)]
    return [
        drawn(
            '<line class="level" x1="{}" x2="{}" y1="{y}" y2="{y}"/>'
            '<text class="course-tick" x="{}" y="{}" text-anchor="end">{}</text>',
            LEFT,
            RIGHT,
            LEFT - 5,
            round(axis.y(v) + 4, 1),
            words.temperature(v, 0).rsplit(" ", 1)[0],
            y=axis.y(v),
        )
        for v in values
    ]


def _hours(
    from_at: datetime, to_at: datetime, words: Words, x: Callable[[datetime], float]
) -> list[Markup]:
    at = from_at.astimezone(words.zone).replace(minute=0, second=0, microsecond=0)
    at -= timedelta(hours=at.hour % EVERY_H)
    shown = []
    while at <= to_at:
        if at >= from_at:
            said = words.weekday_short(at) if at.hour == 0 else words.clock(at)
            shown.append(
                drawn(
                    '<line class="hour" x1="{x}" x2="{x}" y1="{a}" y2="{b}"/>'
                    '<text class="course-tick" x="{x}" y="{y}" text-anchor="middle">{t}</text>',
                    x=x(at),
                    a=WARM_TOP,
                    b=BAND_FOOT,
                    y=TICKS_Y,
                    t=said,
                )
            )
        at += timedelta(hours=EVERY_H)
    return shown
