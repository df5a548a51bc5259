"""Flawed coats against clean ones, and limits of the shop's own."""

from __future__ import annotations

from fastapi import APIRouter, Response

from service.shop.said import say
from service.store.errors import Conflict
from service.web.compare_models import AdoptIn, ComparedOut, compared_out
from service.web.deps import Shop, ShopDep

__all__ = ["adopt", "router"]

router = APIRouter(tags=["flaws"])


@router.get("/flaw-rates")
def get_rates(kind: str, material: str, shop: ShopDep) -> ComparedOut:
    """Count a kind of flaw by the air its coats went on in, beside the clean coats."""
    return compared_out(shop.work.comparer.compare(kind, material))


@router.post("/flaw-rates/adopt", status_code=204, response_class=Response)
def adopt_limit(body: AdoptIn, shop: ShopDep) -> Response:
    """Take a suggested limit on as a new version of the material, its reason kept as the basis."""
    adopt(shop, body)
    return Response(status_code=204)


def adopt(shop: Shop, asked: AdoptIn) -> None:
    """Write the limit that the record suggests now; raises Conflict where it suggests none."""
    found = shop.work.comparer.compare(asked.kind, asked.material)
    fitting = [s for s in found.suggestions if s.limit == asked.limit]
    if not fitting:
        raise Conflict(
            "limit", say("the record suggests no stricter {limit} now", limit=asked.limit)
        )
    shop.work.recipes.enter_figures(
        asked.material,
        marks={},
        limits={asked.limit: fitting[0].split.at},
        basis=fitting[0].reason(),
        who=asked.who,
    )
