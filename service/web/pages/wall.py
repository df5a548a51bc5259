"""The wall screen: one place's answer and today's list, read from three metres by the booth."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from service.shop.said import say
from service.store.errors import NotFound
from service.web.deps import Shop, ShopDep
from service.web.outlook_answers import window_words
from service.web.pages.render import renderer_of
from service.web.pages.view import checks_for, material_for, place_for
from service.web.views import Asked

__all__ = ["router"]

router = APIRouter()

SHOWN = 4
"""Pieces that fit in letters of this size."""


@router.get("/wall")
def wall(
    request: Request,
    shop: ShopDep,
    place: Annotated[str | None, Query(max_length=64)] = None,
    material: Annotated[str | None, Query(max_length=64)] = None,
) -> Response:
    """Show the spray check of a place and a material, and the pieces by who is ready first.

    A place or material that is asked for and not known is an error: a wall must not answer for
    another booth than the one it hangs at.
    """
    with shop.desk.db.at_once():
        return _wall(request, shop, place, material)


def _wall(request: Request, shop: Shop, place: str | None, material: str | None) -> Response:
    _known(shop, place, material)
    renderer, now = renderer_of(request), shop.clock.now()
    places, cards = shop.desk.places(), shop.desk.cards()
    if not places:
        return renderer.page(request, "wall_empty.html")
    here = place_for(places, place, "")
    chosen = material_for(shop, cards, here.id, material, "")
    shop.views.note(Asked(here.id, chosen.id))
    check = shop.desk.spray_check(here.id, chosen.id)
    under_way = [card for card in cards if card.act.state != "finished"]
    shown = under_way[:SHOWN]
    return renderer.page(
        request,
        "wall.html",
        place=here,
        material=chosen,
        check=check,
        window_words=window_words(shop.desk.windows(here.id, check), renderer.words, now),
        shown=shown,
        asked=checks_for(shop, shown),
        more=len(under_way[SHOWN:]),
    )


def _known(shop: Shop, place: str | None, material: str | None) -> None:
    if place is not None and place not in {p.id for p in shop.desk.places()}:
        raise NotFound("place", say("there is no place {name!r}", name=place))
    if material is not None:
        shop.desk.material(material)
