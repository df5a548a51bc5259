"""The calendar feed under its secret address, and the button that makes a new one."""

from __future__ import annotations

import hashlib
from typing import Annotated

from fastapi import APIRouter, Path, Query, Request
from starlette.responses import RedirectResponse, Response

from service.web import calendar_feed
from service.web.deps import ShopDep
from service.web.pages.render import renderer_of
from service.web.tongue import ENGLISH
from service.web.words import Words

__all__ = ["router"]

router = APIRouter()


@router.api_route("/calendar/{token}.ics", methods=["GET", "HEAD"])
def get_feed(
    token: Annotated[str, Path(max_length=64)],
    request: Request,
    shop: ShopDep,
    place: Annotated[str | None, Query(max_length=64)] = None,
    material: Annotated[str | None, Query(max_length=64)] = None,
    lang: Annotated[str | None, Query(max_length=8)] = None,
) -> Response:
    """Give ready times and spray windows, or say that nothing has changed.

    A calendar asks with no word of who reads it: ``lang`` in its address says the language.
    """
    words = Words(
        shop.book.now.tz,
        us=shop.book.now.us,
        twelve=shop.book.now.clock == 12,
        tongue=renderer_of(request).tongues.of(lang),
    )
    body = calendar_feed.feed(shop, token, words, place, material)
    tag = f'W/"{hashlib.sha256(body).hexdigest()[:32]}"'
    headers = {
        "ETag": tag,
        "Cache-Control": "private, no-cache",
        # The address is a secret: it goes nowhere as where somebody came from.
        "Referrer-Policy": "no-referrer",
        "Content-Disposition": 'inline; filename="boothglass.ics"',
    }
    known = [part.strip() for part in request.headers.get("if-none-match", "").split(",")]
    if tag in known or tag.removeprefix("W/") in known or "*" in known:
        return Response(status_code=304, headers=headers)
    return Response(body, media_type="text/calendar; charset=utf-8", headers=headers)


@router.get("/settings/calendar")
def show_address(request: Request, shop: ShopDep) -> Response:
    """Show the address of the feed, and how to use it."""
    settings, renderer = shop.settings, renderer_of(request)
    address, tongue = calendar_feed.address(shop), renderer.words.tongue
    return renderer.page(
        request,
        "calendar.html",
        address=address if tongue is ENGLISH else f"{address}?lang={tongue.lang}",
        reachable=settings.lan or settings.public_url is not None,
    )


@router.post("/settings/calendar/renew")
def renew(shop: ShopDep) -> Response:
    """Make a new address; the old one leads nowhere from now on."""
    calendar_feed.renew(shop)
    return RedirectResponse("/settings/calendar?said=calendar-renewed", 303)
