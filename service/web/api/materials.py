"""Materials and schedules: as the catalogue holds them, and what the shop writes over them."""

from __future__ import annotations

from fastapi import APIRouter
from starlette.exceptions import HTTPException

from service.store.catalogue import Kind
from service.web import answers, inputs, models
from service.web.deps import Shop, ShopDep

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


@router.get("/materials/{material_id}/versions")
def list_material_versions(material_id: str, shop: ShopDep) -> list[models.VersionOut]:
    """List every version of a material, newest first, down to what was read from files."""
    return _versions(shop, "material", material_id)


@router.post("/materials", status_code=201)
def write_material(body: inputs.TextIn, shop: ShopDep) -> models.WrittenOut:
    """Write a material (YAML) as a new version; it holds for coats from now on.

    What is wrong is named by its line. The ``id`` in the text says which material it is; one that
    is not known yet is a new material.
    """
    return _written(shop, "material", body)


@router.post("/materials/{material_id}/figures", status_code=201)
def enter_figures(material_id: str, body: inputs.FiguresIn, shop: ShopDep) -> models.WrittenOut:
    """Enter figures of a data sheet over those that hold: hours of marks, and limits."""
    number = shop.work.recipes.enter_figures(
        material_id,
        marks={
            name: mark.model_dump(exclude_unset=True, by_alias=True)
            for name, mark in body.marks.items()
        },
        limits=body.limits,
        basis=body.basis,
        who=body.who,
    )
    return models.WrittenOut(kind="material", id=material_id, version=number)


@router.get("/schedules/{schedule_id}/versions")
def list_schedule_versions(schedule_id: str, shop: ShopDep) -> list[models.VersionOut]:
    """List every version of a schedule, newest first, down to what was read from files."""
    return _versions(shop, "schedule", schedule_id)


@router.post("/schedules", status_code=201)
def write_schedule(body: inputs.TextIn, shop: ShopDep) -> models.WrittenOut:
    """Write a schedule (YAML) as a new version; pieces taken in from now on follow it."""
    return _written(shop, "schedule", body)


def _versions(shop: Shop, kind: Kind, entry_id: str) -> list[models.VersionOut]:
    return [
        models.VersionOut(
            version=version.number,
            text=version.text,
            who=version.who,
            note=version.note,
            made_at=None if version.row is None else version.row.made_at,
        )
        for version in shop.work.recipes.versions(kind, entry_id)
    ]


def _written(shop: Shop, kind: Kind, body: inputs.TextIn) -> models.WrittenOut:
    entry_id, number = shop.work.recipes.write(kind, body.text, who=body.who, note=body.note)
    return models.WrittenOut(kind=kind, id=entry_id, version=number)
