"""Materials and schedules, as the shop's catalogue holds them."""

from __future__ import annotations

from fastapi import APIRouter
from starlette.exceptions import HTTPException

from service.web import answers, models
from service.web.deps import ShopDep

__all__ = ["router"]

router = APIRouter(tags=["materials"])


@router.get("/materials")
def list_materials(shop: ShopDep) -> list[models.MaterialOut]:
    """List every material: its drying marks, limits and cautions."""
    return [answers.material_out(m) for m in shop.desk.catalogue.materials.values()]


@router.get("/materials/{material_id}")
def get_material(material_id: str, shop: ShopDep) -> models.MaterialOut:
    """Give one material."""
    found = shop.desk.catalogue.materials.get(material_id)
    if found is None:
        raise HTTPException(404, f"material: unknown material {material_id!r}")
    return answers.material_out(found)


@router.get("/schedules")
def list_schedules(shop: ShopDep) -> list[models.ScheduleOut]:
    """List every schedule with its steps in order."""
    return [answers.schedule_out(s) for s in shop.desk.catalogue.schedules.values()]


@router.get("/schedules/{schedule_id}")
def get_schedule(schedule_id: str, shop: ShopDep) -> models.ScheduleOut:
    """Give one schedule."""
    found = shop.desk.catalogue.schedules.get(schedule_id)
    if found is None:
        raise HTTPException(404, f"schedule: unknown schedule {schedule_id!r}")
    return answers.schedule_out(found)
