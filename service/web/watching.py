"""What watches the service from the machine itself: ``/health`` and ``/metrics``, without sign-in.

Who may ask stands in the table of rights, under *machine*.
"""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request, Response

from service.web.api.status import get_health
from service.web.deps import ShopDep
from service.web.metrics import CONTENT_TYPE

__all__ = ["router"]

router = APIRouter()


@router.api_route("/health", methods=["GET", "HEAD"])
def get_how_it_is(shop: ShopDep, response: Response) -> dict[str, Any]:
    """Say how the service is, as the API does: 200, or 503 where a check is failing."""
    return get_health(shop, response)


@router.get("/metrics")
def get_metrics(request: Request) -> Response:
    """Give figures in the text format of Prometheus."""
    return Response(request.app.state.metrics.text(), media_type=CONTENT_TYPE)
