"""What a shop's verdicts have taught about a material: each tap, and how the scale moved."""

from __future__ import annotations

from collections.abc import Sequence

from fastapi import APIRouter, Request
from markupsafe import Markup
from starlette.responses import Response

from service.shop.learning import SAID, Posterior
from service.store.verdicts import Learning, Told
from service.web.deps import ShopDep
from service.web.pages.plot import LEFT, RIGHT, WIDTH, Axis, levels, line
from service.web.pages.render import renderer_of
from service.web.svg import drawn
from service.web.words import Words

__all__ = ["router", "scale_figure"]

router = APIRouter()

TOP, FOOT, HEIGHT = 14.0, 190.0, 212
MOST_SHOWN = 60
"""Taps in the figure and table: more could not be told apart on a phone."""


@router.get("/materials/{material_id}/learning")
def get_learning(material_id: str, request: Request, shop: ShopDep) -> Response:
    """Show the prior, each verdict, and what ready times are reckoned with."""
    found = shop.work.verdicts.learning(material_id)
    renderer = renderer_of(request)
    return renderer.page(
        request,
        "learning.html",
        found=found,
        hours={mark.name: mark.hours for mark in found.prior.marks},
        told=found.told[-MOST_SHOWN:],
        said=SAID,
        figure=scale_figure(found, renderer.words) if found.after.taps else Markup(),
    )


def scale_figure(found: Learning, words: Words) -> Markup:
    """Draw the middle and its 80 % range over the taps, with each tap at what it said.

    A triangle that points up stands for *not yet*, at how far the clock was over the mark's hours:
    the shop's scale lies above it, or the coat was an odd one. One that points down: *already*.
    """
    shown = found.told[-MOST_SHOWN:]
    start = found.before if len(shown) == len(found.told) else found.told[-MOST_SHOWN - 1].after
    course = [start, *(told.after for told in shown)]
    ends = [percent(scale) for point in course for scale in (point.low, point.high)]
    axis = Axis.over([0.0, *ends], TOP, FOOT)

    def x(n: int) -> float:
        return round(LEFT + n / len(shown) * (RIGHT - LEFT), 1)

    upper = [f"{x(n)} {axis.y(percent(p.high))}" for n, p in enumerate(course)]
    lower = [f"{x(n)} {axis.y(percent(p.low))}" for n, p in enumerate(course)]
    middle = [(x(n), axis.y(percent(p.middle))) for n, p in enumerate(course)]
    hours = {mark.name: mark.hours for mark in found.prior.marks}
    return Markup().join(
        [
            drawn(
                '<svg class="course" viewBox="0 0 {} {}" role="img" aria-label="{}">',
                WIDTH,
                HEIGHT,
                _summary(course, words),
            ),
            *levels(axis, lambda value: f"{value:+.0f} %" if value else "0 %"),
            drawn('<path class="fan fan-air" d="M{}Z"/>', "L".join(upper + lower[::-1])),
            line("air", middle, set()),
            *(
                _tap(told, hours[told.mark], x(n), axis)
                for n, told in enumerate(shown, 1)
                if not told.left_out
            ),
            drawn(
                '<text class="course-tick" x="{}" y="{}">{}</text>',
                LEFT,
                FOOT + 16,
                words.say("before") if len(shown) == len(found.told) else words.say("earlier"),
            ),
            drawn(
                '<text class="course-tick" x="{}" y="{}" text-anchor="end">{}</text>',
                RIGHT,
                FOOT + 16,
                words.say("last tap"),
            ),
            Markup("</svg>"),
        ]
    )


def percent(scale: float) -> float:
    """How many per cent longer than the reference."""
    return 100.0 * (scale - 1.0)


def _tap(told: Told, mark_hours: float, x: float, axis: Axis) -> Markup:
    at = min(max(percent(told.hours / mark_hours), axis.low), axis.high)
    y = axis.y(at)
    tip, foot = (y + 5, y - 4) if told.ready else (y - 5, y + 4)
    return drawn(
        '<path class="flag-mark" d="M{} {}L{} {}L{} {}Z"/>',
        x,
        round(tip, 1),
        round(x - 5, 1),
        round(foot, 1),
        round(x + 5, 1),
        round(foot, 1),
    )


def _summary(course: Sequence[Posterior], words: Words) -> str:
    def spread(scale: Posterior) -> str:
        low, high = f"{percent(scale.low):+.0f}", f"{percent(scale.high):+.0f}"
        middle = f"{percent(scale.middle):+.0f}"
        return words.say("{middle} ({low} to {high})", middle=middle, low=low, high=high)

    return words.say(
        "Time over the reference, in per cent: {before} before these taps, {after} after them.",
        before=spread(course[0]),
        after=spread(course[-1]),
    )
