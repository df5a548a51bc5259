"""The page of the plan: today's list, the days after it, and when the shop works."""

from __future__ import annotations

from datetime import date
from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from service.shop.plan import solver_there
from service.shop.said import say
from service.store.errors import BadInput, StoreError
from service.store.planning import Line
from service.store.working import DAYS, Working
from service.web.deps import Shop, ShopDep
from service.web.pages.forms import Fields, FormDep, blame
from service.web.pages.render import renderer_of

__all__ = ["router"]

router = APIRouter()

COUNTS = ("hands", "booth", "most_coats_a_day", "setup_min", "mask_setup_min")


@router.get("/plan")
def get_plan(request: Request, shop: ShopDep) -> Response:
    """Show the plan."""
    return _page(request, shop)


@router.post("/plan/hours")
def set_hours(request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Take when the shop works."""
    try:
        shop.planner.set_working(_working(fields))
    except StoreError as error:
        return _page(request, shop, 422, errors=blame(error), values=fields)
    return RedirectResponse("/plan", 303)


def _working(fields: Fields) -> Working:
    hours = {
        day: (fields.get(f"{day}.from", ""), fields.get(f"{day}.until", ""))
        for day in DAYS
        if f"{day}.from" in fields or f"{day}.until" in fields
    }
    counts: dict[str, int] = {}
    for name in COUNTS:
        try:
            counts[name] = int(fields.get(name, ""))
        except ValueError as error:
            raise BadInput(name, say("is no whole number")) from error
    return Working(hours, **counts)


def _page(request: Request, shop: Shop, status: int = 200, **more: Any) -> Response:
    renderer = renderer_of(request)
    plan = shop.planner.plan(wait=False)
    zone = renderer.words.zone
    days: dict[date, list[Line]] = {}
    for line in plan.lines:
        days.setdefault(line.start_at.astimezone(zone).date(), []).append(line)
    context: dict[str, Any] = {
        "plan": plan,
        "days": days,
        "today": shop.clock.now().astimezone(zone).date(),
        "solver_there": solver_there(),
        "working": shop.planner.working(),
        "errors": {},
        "values": {},
    }
    return renderer.page(request, "plan.html", status, **(context | more))
