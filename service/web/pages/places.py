"""Pages of the places: the list, a new one, and the course of the air in one."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Annotated, Any, cast

from fastapi import APIRouter, Query, Request
from starlette.responses import RedirectResponse, Response

from service.shop.materials import Material
from service.shop.wood_watch import BAND_PCT
from service.store.desk import PlaceView
from service.store.errors import StoreError
from service.store.past_film import past_film_of
from service.store.place_book import PlaceChange
from service.web import inputs
from service.web.deps import Shop, ShopDep
from service.web.pages.course import air_rows, course_figure
from service.web.pages.forms import FormDep, FormError, blame, read
from service.web.pages.home import remembered
from service.web.pages.render import renderer_of
from service.web.pages.view import sprayed

__all__ = ["SPANS", "router"]

router = APIRouter()

SPANS = {
    "6h": ("6 hours", 6),
    "24h": ("Day", 24),
    "7d": ("Week", 168),
    "30d": ("Month", 720),
    "1y": ("Year", 8760),
}
"""Spans a course may be seen over: words and hours."""

TABLE_POINTS = {"6h": 36, "24h": 48, "7d": 84, "30d": 60, "1y": 73}

SPRAYED_IN = frozenset({"booth", "rack"})
"""Kinds of places in whose air the film of a coat is shown."""

Span = Annotated[str, Query(pattern="^(6h|24h|7d|30d|1y)$")]
MaterialId = Annotated[str | None, Query(max_length=64)]


@router.get("/places")
def list_places(request: Request, shop: ShopDep) -> Response:
    """Show every place with its air now."""
    return renderer_of(request).page(
        request, "places.html", places=shop.desk.places(), sensors=shop.desk.sensors()
    )


@router.get("/places/new")
def new_place(request: Request) -> Response:
    """Ask for a new place."""
    return renderer_of(request).page(request, "place_new.html")


@router.post("/places/new")
def add_place(request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Make a new place."""
    renderer = renderer_of(request)
    try:
        form = read(inputs.PlaceIn, fields, renderer.words)
        made = shop.work.add_place(
            form.word, form.name, form.kind, form.volume_m3, form.air_changes_h
        )
    except (FormError, StoreError) as error:
        return renderer.page(request, "place_new.html", 422, errors=blame(error), values=fields)
    shop.hub.publish("air", {"place": made.id})
    return RedirectResponse(f"/air/{made.id}", 303)


@router.get("/air/{place_id}")
def get_air(
    place_id: str,
    request: Request,
    shop: ShopDep,
    span: Span = "24h",
    material: MaterialId = None,
) -> Response:
    """Show the air of a place now and its course."""
    return _air(request, shop, place_id, span, material=material)


@router.post("/air/{place_id}/place")
def change_place(place_id: str, request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Describe a place anew; a figure that was left empty is not known."""
    words = renderer_of(request).words
    try:
        form = read(inputs.PlaceChangeIn, fields, words)
        shop.work.places.change(place_id, cast("PlaceChange", form.model_dump()))
    except (FormError, StoreError) as error:
        return _air(request, shop, place_id, "24h", 422, errors=blame(error), values=fields)
    shop.hub.publish("air", {"place": place_id})
    return RedirectResponse(f"/air/{place_id}", 303)


def _air(
    request: Request,
    shop: Shop,
    place_id: str,
    span: str,
    status: int = 200,
    *,
    material: str | None = None,
    **more: Any,
) -> Response:
    place = shop.desk.place(place_id)
    now = shop.clock.now()
    renderer = renderer_of(request)
    chosen = _film_of(request, shop, place, material)
    return renderer.page(
        request,
        "air.html",
        status,
        place=place,
        span=span,
        spans=SPANS,
        sensors=[s for s in shop.desk.sensors() if s.place_id == place_id],
        wood=None if place.kind == "outdoors" else shop.desk.wood(place_id),
        wood_band=BAND_PCT,
        sprayed=sprayed(shop),
        chosen=chosen,
        check=None if chosen is None else shop.desk.spray_check(place.id, chosen.id),
        course=course_figure(
            shop,
            renderer.words,
            place,
            _start(now, span),
            now,
            None if chosen is None else chosen.id,
        ),
        **({"errors": {}, "values": {}} | more),
    )


@router.get("/air/{place_id}/table")
def get_table(
    place_id: str,
    request: Request,
    shop: ShopDep,
    span: Span = "24h",
    material: MaterialId = None,
) -> Response:
    """Show the course of the air as a table."""
    place = shop.desk.place(place_id)
    now = shop.clock.now()
    start, points = _start(now, span), TABLE_POINTS[span]
    rows = air_rows(shop, place_id, start, now, points)
    chosen, film, coats = _film_of(request, shop, place, material), {}, []
    if chosen is not None and rows:
        past = past_film_of(shop.desk, place_id, chosen.id, start, now, points)
        film, coats = {row.at: row for row in past.rows}, list(reversed(past.coats))
    return renderer_of(request).page(
        request,
        "air_table.html",
        place=place,
        span=span,
        spans=SPANS,
        chosen=chosen,
        film=film,
        coats=coats,
        rows=list(reversed(rows)),
    )


def _film_of(request: Request, shop: Shop, place: PlaceView, asked: str | None) -> Material | None:
    """Return the material whose film is shown: the one asked for, or looked at last; or none."""
    if place.kind not in SPRAYED_IN or place.air is None:
        return None
    known = {m.id: m for m in sprayed(shop)}
    for wanted in (asked, remembered(request)[1], *known):
        if wanted in known:
            return known[wanted]
    return None


def _start(now: datetime, span: str) -> datetime:
    return now - timedelta(hours=SPANS[span][1])
