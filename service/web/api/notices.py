"""Notices: what was told, and that somebody has seen it."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Response

from service.web import answers, models
from service.web.deps import ShopDep
from service.web.scalars import RowId

__all__ = ["router"]

router = APIRouter(tags=["notices"])


@router.get("/notices")
def list_notices(
    shop: ShopDep,
    limit: Annotated[int, Query(ge=1, le=1000)] = 50,
    *,
    unseen: bool = False,
) -> list[models.NoticeOut]:
    """List notices, newest first; with ``unseen`` only those nobody has marked as seen."""
    return [answers.notice_out(row) for row in shop.desk.notices(limit=limit, unseen_only=unseen)]


@router.post("/notices/{notice_id}/seen", status_code=204, response_class=Response)
def see_notice(notice_id: RowId, shop: ShopDep) -> Response:
    """Mark a notice as seen; doing it again changes nothing."""
    shop.work.see_notice(notice_id)
    shop.hub.publish("notice", {"seen": notice_id})
    return Response(status_code=204)
