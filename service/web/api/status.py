"""How the service is: health, clock, wrong payloads."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Query, Response
from starlette.exceptions import HTTPException

from service.clock import DrivenClock
from service.web import answers, inputs, models
from service.web.deps import ShopDep

__all__ = ["router"]

router = APIRouter(tags=["service"])


@router.get("/health")
def get_health(shop: ShopDep, response: Response) -> dict[str, Any]:
    """Say how the service is: ``ok``, ``degraded`` or ``failing`` (then with status 503)."""
    said: dict[str, Any] = models.finite(dict(shop.health()))
    said.setdefault("now", models.iso(shop.clock.now()))
    said.setdefault("clock_rate", shop.clock.rate)
    said.setdefault("pages_open", shop.hub.listeners)
    if said.get("status") == "failing":
        response.status_code = 503
    return said


@router.get("/clock")
def get_clock(shop: ShopDep) -> models.ClockOut:
    """Give the shop's time and the rate it runs at."""
    return models.ClockOut(now=shop.clock.now(), rate=shop.clock.rate, driven=shop.clock.driven)


@router.post("/clock")
def drive_clock(body: inputs.ClockIn, shop: ShopDep) -> models.ClockOut:
    """Jump a driven clock forward and/or change its rate; a real clock is refused with 409."""
    if not isinstance(shop.clock, DrivenClock):
        raise HTTPException(409, "clock: this shop runs on real time, which is not driven")
    shop.clock.drive(now=body.now, rate=body.rate)
    shop.hub.publish("clock", {"rate": shop.clock.rate})
    return get_clock(shop)


@router.get("/rejects")
def list_rejects(
    shop: ShopDep, response: Response, limit: Annotated[int, Query(ge=1, le=1000)] = 50
) -> list[models.RejectOut]:
    """List payloads that could not be used, newest first.

    The answer's header ``Boothglass-Count`` says how many are kept in all.
    """
    response.headers["Boothglass-Count"] = str(shop.desk.reject_count())
    return [answers.reject_out(row) for row in shop.desk.rejects(limit)]
