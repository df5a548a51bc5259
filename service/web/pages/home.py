"""The first page: may I spray now, and which piece is next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.responses import HTMLResponse, Response

from service.shop.cards import InstrumentCard
from service.shop.materials import Material
from service.shop.spray_check import SprayCheck
from service.store.desk import PlaceView
from service.store.errors import StoreError
from service.web.deps import Shop, ShopDep
from service.web.outlook_answers import window_words
from service.web.pages.band import draw_band
from service.web.pages.course import course_figure
from service.web.pages.render import renderer_of
from service.web.pages.start import show_empty

__all__ = ["checks_for", "material_for", "place_for", "remembered", "router", "sprayed"]

router = APIRouter()

REMEMBERED = "boothglass_view"
REMEMBERED_S = 400 * 86400

SHOWN = 4
"""Notices on the first page; the rest have one of their own."""

STOP = "stop-spraying"


@dataclass(frozen=True)
class Choice:
    """What the first page looks at."""

    place: PlaceView
    material: Material
    instrument: InstrumentCard | None
    wet_um: float | None
    retarder_pct: float


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
    renderer = renderer_of(request)
    places, cards = shop.desk.places(), shop.desk.cards()
    heard = any(p.air is not None for p in places)
    if not places or (not heard and not cards):
        return show_empty(request, shop)
    kept_place, kept_material = remembered(request)
    chosen_place = place_for(places, place, kept_place)
    chosen_material = material_for(shop, cards, chosen_place.id, material, kept_material)
    piece = next((c for c in cards if str(c.id) == instrument), None)
    film = _number(wet)
    choice = Choice(
        chosen_place,
        chosen_material,
        piece,
        None if film is None else renderer.words.film_um(film),
        _number(retarder) or 0.0,
    )
    check, complaint = _check(shop, choice)
    windows = shop.desk.windows(choice.place.id, check)
    now = shop.clock.now()
    response = renderer.page(
        request,
        "home.html",
        places=places,
        sprayed=sprayed(shop),
        choice=choice,
        check=check,
        complaint=complaint,
        window_words=window_words(windows, renderer.words, now),
        band=draw_band(windows, shop.planner.working(), now, renderer.words),
        cards=cards,
        asked=checks_for(shop, cards),
        notices=shop.desk.notices(limit=SHOWN),
        stops=[n for n in shop.desk.notices(limit=99, unseen_only=True) if n.kind == STOP],
        course=course_figure(shop, renderer, choice.place, *_last_day(now)),
        flaws=shop.desk.flaws()[:3],
        numbers={card.id: card.shop_number for card in cards},
    )
    if place is not None or material is not None:
        _remember(response, choice)
    return response


def _last_day(now: datetime) -> tuple[datetime, datetime]:
    """The last 24 h and what is left of these ten minutes, so that it is read once in a while."""
    end = datetime.fromtimestamp(-(-now.timestamp() // 600) * 600, UTC)
    return end - timedelta(hours=24), end


def checks_for(shop: Shop, cards: Sequence[InstrumentCard]) -> dict[int, SprayCheck]:
    """Ask the spray check for every piece whose next coat may go on now, where it hangs."""
    asked: dict[int, SprayCheck] = {}
    for card in cards:
        act = card.act
        if act.state != "ready" or act.material_id is None or card.place_id is None:
            continue
        try:
            asked[card.id] = shop.desk.spray_check(
                card.place_id, act.material_id, instrument_id=card.id
            )
        except StoreError:  # wiped on, not sprayed; or a material the shop has taken out
            continue
    return asked


def _check(shop: Shop, choice: Choice) -> tuple[SprayCheck, str]:
    """Ask; figures that cannot be are named, and the usual coat is asked instead."""
    ids = choice.place.id, choice.material.id
    piece = None if choice.instrument is None else choice.instrument.id
    try:
        asked = shop.desk.spray_check(
            *ids, instrument_id=piece, wet_um=choice.wet_um, retarder_pct=choice.retarder_pct
        )
    except StoreError as refusal:
        return shop.desk.spray_check(
            *ids, instrument_id=piece
        ), f"{refusal.reason}; usual coat shown"
    return asked, ""


def remembered(request: Request) -> tuple[str, str]:
    """Return the place and material that were looked at last, as far as anything is known."""
    place, _, material = request.cookies.get(REMEMBERED, "").partition("|")
    return place, material


def sprayed(shop: Shop) -> list[Material]:
    """List the materials that are sprayed."""
    return [m for m in shop.desk.catalogue.materials.values() if m.blend is not None]


def place_for(places: Sequence[PlaceView], asked: str | None, kept: str) -> PlaceView:
    """Return the place that was asked for, else the one last looked at, else the first booth."""
    by_id = {p.id: p for p in places}
    for wanted in (asked, kept):
        if wanted in by_id:
            return by_id[wanted]
    booths = [p for p in places if p.kind == "booth"]
    with_air = [p for p in booths if p.air is not None]
    return (with_air or booths or list(places))[0]


def material_for(
    shop: Shop, cards: Sequence[InstrumentCard], place_id: str, asked: str | None, kept: str
) -> Material:
    """Return the material that was asked for, else the one last looked at, else a likely one."""
    by_id = {m.id: m for m in sprayed(shop)}
    # Without a choice: what the next piece in this place needs.
    needed = [c.act.material_id for c in cards if c.place_id == place_id]
    for wanted in (asked, kept, *needed):
        if wanted in by_id:
            return by_id[wanted]
    return next(iter(by_id.values()))


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
