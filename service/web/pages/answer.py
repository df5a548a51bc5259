"""The page behind a message's acknowledge link: opening it does nothing, its one button does."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Request
from starlette.responses import Response

from service.web.api.people import answered
from service.web.deps import Shop, ShopDep
from service.web.pages.forms import FormDep
from service.web.pages.render import renderer_of
from service.web.problems import wants_page

__all__ = ["router"]

router = APIRouter()

Token = Annotated[str, Path(max_length=64)]


@router.get("/n/{token}")
def ask(token: Token, request: Request, shop: ShopDep) -> Response:
    """Show what was told, and the button. Whoever scans mail for links changes nothing."""
    return _page(token, request, shop)


@router.post("/n/{token}")
def answer(token: Token, request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Take the tap: somebody has reacted, so nobody else is asked.

    With ``move`` the planned move of that number was made, or each that was told (``all``).
    """
    row, notices = shop.telling.outbox.find(token)
    for notice in notices:
        move = str(notice.data.get("move", ""))
        if notice.kind == "move-due" and fields.get("move") in {move, "all"}:
            shop.moved(shop.work.moves.made(int(move)).instrument_id)
    if "move" in fields and wants_page(request) and not _all_seen(shop, token):
        return _page(token, request, shop)
    answered(shop, shop.telling.outbox.acknowledge(int(row.id or 0)).notices)
    return _page(token, request, shop) if wants_page(request) else Response(status_code=204)


def _all_seen(shop: Shop, token: str) -> bool:
    """Whether nothing is left to be tapped of what a message told."""
    return all(notice.seen_at is not None for notice in shop.telling.outbox.find(token)[1])


def _page(token: str, request: Request, shop: Shop) -> Response:
    row, notices = shop.telling.outbox.find(token)
    return renderer_of(request).page(request, "answer.html", delivery=row, notices=notices)
