"""An owner's page of the trail: who wrote what, and when."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from service.web.deps import ShopDep
from service.web.pages.render import renderer_of

__all__ = ["router"]

router = APIRouter()

SHOWN = 50


@router.get("/settings/trail")
def show(
    request: Request,
    shop: ShopDep,
    before: Annotated[int | None, Query(ge=1, le=2**31 - 1)] = None,
) -> Response:
    """Show the trail, the newest first, a page at a time."""
    rows = shop.doors.trail.page(before, SHOWN + 1)
    older = rows[SHOWN - 1].id if len(rows) > SHOWN else None
    return renderer_of(request).page(
        request, "trail.html", rows=rows[:SHOWN], older=older, first=before is None
    )
