"""Pages of the shop itself: notices, wrong payloads, what this is and its cautions."""

from __future__ import annotations

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from service.web import answers
from service.web.deps import ShopDep
from service.web.pages.forms import FormDep, back_to
from service.web.pages.render import renderer_of
from service.web.scalars import RowId

__all__ = ["router"]

router = APIRouter()

SHOWN = 100


@router.get("/notices")
def list_notices(request: Request, shop: ShopDep) -> Response:
    """Show what was told."""
    return renderer_of(request).page(
        request, "notices.html", notices=shop.desk.notices(limit=SHOWN)
    )


@router.post("/notices/{notice_id}/seen")
def see_notice(notice_id: RowId, shop: ShopDep, fields: FormDep) -> Response:
    """Mark a notice as seen."""
    shop.work.see_notice(notice_id)
    shop.hub.publish("notice", {"seen": notice_id})
    return RedirectResponse(back_to(fields, "/notices", said="seen"), 303)


@router.get("/more")
def more(request: Request) -> Response:
    """Show what is asked for less often."""
    return renderer_of(request).page(request, "more.html")


@router.get("/rejects")
def list_rejects(request: Request, shop: ShopDep) -> Response:
    """Show payloads that could not be used, and why."""
    rows = [answers.reject_out(row) for row in shop.desk.rejects(SHOWN)]
    return renderer_of(request).page(
        request, "rejects.html", rejects=rows, count=shop.desk.reject_count()
    )


@router.get("/about")
def about(request: Request, shop: ShopDep) -> Response:
    """Say what this is, what it is not, and how the service is."""
    return renderer_of(request).page(request, "about.html", health=shop.health())
