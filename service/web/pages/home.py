"""The first page: may I spray now, and which piece is next."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.responses import HTMLResponse, Response

from service.web.deps import Shop, ShopDep
from service.web.outlook_answers import window_words
from service.web.pages.band import draw_band
from service.web.pages.course import course_figure
from service.web.pages.render import renderer_of
from service.web.pages.start import show_empty
from service.web.pages.view import Choice, last_day, look, sprayed
from service.web.views import Asked

__all__ = ["remembered", "router"]

router = APIRouter()

REMEMBERED = "boothglass_view"
REMEMBERED_S = 400 * 86400


@router.get("/")
def home(
    request: Request,
    shop: ShopDep,
    place: Annotated[str | None, Query(max_length=64)] = None,
    material: Annotated[str | None, Query(max_length=64)] = None,
    instrument: Annotated[str, Query(max_length=12)] = "",
    wet: Annotated[str, Query(max_length=12)] = "",
    retarder: Annotated[str, Query(max_length=12)] = "",
) -> Response:
    """Show the spray check, the instruments by who is ready first, the air and the notices."""
    with shop.desk.db.at_once():
        return _home(request, shop, place, material, instrument, wet, retarder)


def _home(
    request: Request,
    shop: Shop,
    place: str | None,
    material: str | None,
    instrument: str,
    wet: str,
    retarder: str,
) -> Response:
    renderer = renderer_of(request)
    film = _number(wet)
    asked = Asked(
        place,
        material,
        instrument,
        None if film is None else renderer.words.film_um(film),
        _number(retarder) or 0.0,
        *remembered(request),
    )
    seen = look(shop, asked)
    if seen is None:
        return show_empty(request, shop)
    choice, now = seen.choice, shop.clock.now()
    shop.views.note(_as_shown(choice), renderer.words)
    response = renderer.page(
        request,
        "home.html",
        places=seen.places,
        sprayed=sprayed(shop),
        choice=choice,
        check=seen.check,
        complaint=seen.complaint,
        window_words=window_words(seen.windows, renderer.words, now),
        band=draw_band(seen.windows, shop.planner.working(), now, renderer.words),
        cards=seen.cards,
        asked=seen.asked,
        notices=seen.notices,
        stops=seen.stops,
        course=course_figure(shop, renderer.words, choice.place, *last_day(now)),
        flaws=seen.flaws,
        numbers={card.id: card.shop_number for card in seen.cards},
    )
    if place is not None or material is not None:
        _remember(response, choice)
    return response


def _as_shown(choice: Choice) -> Asked:
    """Return what leads to the same page, whoever asks: what was left open is filled in."""
    piece = "" if choice.instrument is None else str(choice.instrument.id)
    ids = choice.place.id, choice.material.id
    return Asked(*ids, piece, choice.wet_um, choice.retarder_pct)


def remembered(request: Request) -> tuple[str, str]:
    """Return the place and material that were looked at last, as far as anything is known."""
    place, _, material = request.cookies.get(REMEMBERED, "").partition("|")
    return place, material


def _number(text: str) -> float | None:
    try:
        return float(text.replace(",", ".")) if text.strip() else None
    except ValueError:
        return None


def _remember(response: HTMLResponse, choice: Choice) -> None:
    response.set_cookie(
        REMEMBERED,
        f"{choice.place.id}|{choice.material.id}",
        max_age=REMEMBERED_S,
        httponly=True,
        samesite="lax",
    )
