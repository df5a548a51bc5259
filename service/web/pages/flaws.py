"""Pages of the flaws: the list, and the evidence behind one."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import Response

from service.web.deps import Shop, ShopDep
from service.web.pages.render import renderer_of

__all__ = ["router"]

router = APIRouter()


@router.get("/flaws")
def list_flaws(request: Request, shop: ShopDep) -> Response:
    """Show every flaw, newest first."""
    return renderer_of(request).page(
        request,
        "flaws.html",
        flaws=shop.desk.flaws(),
        numbers=_numbers(shop),
        cards=shop.desk.cards(),
    )


@router.get("/flaws/{flaw_id}")
def get_flaw(flaw_id: int, request: Request, shop: ShopDep) -> Response:
    """Show the coats, air and waits behind a flaw."""
    row = shop.desk.flaw(flaw_id)
    coats = [_with_instants(coat) for coat in row.evidence.get("coats", [])]
    return renderer_of(request).page(
        request,
        "flaw.html",
        flaw=row,
        card=shop.desk.card(row.instrument_id),
        coats=list(reversed(coats)),
    )


def _numbers(shop: Shop) -> dict[int, str]:
    return {card.id: card.shop_number for card in shop.desk.cards()}


def _with_instants(coat: dict[str, Any]) -> dict[str, Any]:
    return coat | {"at": datetime.fromisoformat(coat["at"])}
