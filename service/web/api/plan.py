"""The plan of the shop, and when it works."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from fastapi import APIRouter

from service.store.working import Working
from service.web import inputs, models
from service.web.deps import ShopDep

__all__ = ["router"]

router = APIRouter(tags=["plan"])


@router.get("/plan")
def get_plan(shop: ShopDep) -> models.PlanOut:
    """Plan the next week: every piece's acts in an order that breaks no wait, and why."""
    plan = shop.planner.plan()
    return models.PlanOut.model_validate(
        {
            "made_at": plan.made_at,
            "made_by": plan.made_by,
            "outlook_until": plan.outlook_until,
            "lines": [
                models.PlanLineOut(
                    instrument=line.instrument_id,
                    shop_number=line.shop_number,
                    step=line.step_key,
                    step_name=line.step_name,
                    coat_number=line.number,
                    coats=line.of,
                    material=line.material_id,
                    start_at=line.start_at,
                    end_at=line.end_at,
                    why=line.why,
                    by=line.by,
                )
                for line in plan.lines
            ],
            "finishes": [
                models.FinishOut(
                    instrument=finish.instrument_id,
                    shop_number=finish.shop_number,
                    from_at=finish.from_at,
                    until_at=finish.until_at,
                    why_not=finish.why_not,
                )
                for finish in plan.finishes
            ],
        }
    )


@router.get("/working-hours")
def get_working_hours(shop: ShopDep) -> dict[str, Any]:
    """Say when and how the shop works."""
    return asdict(shop.planner.working())


@router.put("/working-hours")
def set_working_hours(body: inputs.WorkingIn, shop: ShopDep) -> dict[str, Any]:
    """Say when and how the shop works; the plan keeps to it."""
    return asdict(shop.planner.set_working(Working(**body.model_dump())))
