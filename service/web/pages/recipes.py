"""Pages of materials and schedules: what holds, a data sheet's figures, and the text itself."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from service.shop.said import say
from service.store.catalogue import Kind
from service.store.errors import BadInput, NotFound, StoreError
from service.store.recipes import LIMITS
from service.web.deps import Shop, ShopDep
from service.web.pages.forms import Fields, FormDep, blame
from service.web.pages.render import renderer_of
from service.web.words import Words

__all__ = ["router"]

router = APIRouter()


@router.get("/materials")
def list_recipes(request: Request, shop: ShopDep) -> Response:
    """Show every material and every schedule."""
    return renderer_of(request).page(request, "materials.html", current=shop.desk.catalogue.current)


@router.get("/materials/{material_id}")
def get_material(material_id: str, request: Request, shop: ShopDep) -> Response:
    """Show a material, with forms for a data sheet's figures and for its text."""
    return _page(request, shop, "material", material_id)


@router.get("/schedules/{schedule_id}")
def get_schedule(schedule_id: str, request: Request, shop: ShopDep) -> Response:
    """Show a schedule, with a form for its text."""
    return _page(request, shop, "schedule", schedule_id)


@router.post("/materials/{material_id}/figures")
def enter_figures(material_id: str, request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Take a data sheet's figures."""
    words = renderer_of(request).words
    try:
        marks, limits = _figures(shop, material_id, fields, words)
        if not marks and not limits:
            raise BadInput("basis", say("no figure differs from what holds"))
        shop.work.recipes.enter_figures(
            material_id,
            marks=marks,
            limits=limits,
            basis=fields.get("basis", ""),
            who=fields.get("who", ""),
        )
    except NotFound:
        raise
    except StoreError as error:
        return _page(
            request, shop, "material", material_id, 422, errors=blame(error), values=fields
        )
    return RedirectResponse(f"/materials/{material_id}", 303)


@router.post("/materials/{material_id}/text")
def write_material(material_id: str, request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Take a material's text."""
    return _write(request, shop, "material", material_id, fields)


@router.post("/schedules/{schedule_id}/text")
def write_schedule(schedule_id: str, request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Take a schedule's text."""
    return _write(request, shop, "schedule", schedule_id, fields)


def _write(request: Request, shop: Shop, kind: Kind, entry_id: str, fields: Fields) -> Response:
    try:
        # Browsers send line ends of two characters.
        text = fields.get("text", "").replace("\r\n", "\n") + "\n"
        written, _ = shop.work.recipes.write(
            kind, text, who=fields.get("who", ""), note=fields.get("note", "")
        )
    except StoreError as error:
        return _page(request, shop, kind, entry_id, 422, errors=blame(error), values=fields)
    return RedirectResponse(f"/{kind}s/{written}", 303)


def _page(
    request: Request, shop: Shop, kind: Kind, entry_id: str, status: int = 200, **more: Any
) -> Response:
    versions = shop.work.recipes.versions(kind, entry_id)
    catalogue = shop.desk.catalogue
    context: dict[str, Any] = {
        "versions": versions,
        "held": catalogue.current.get((kind, entry_id)),
        "text": catalogue.texts[kind, entry_id],
        "errors": {},
        "values": {},
    }
    if kind == "material":
        context["material"] = catalogue.materials[entry_id]
    else:
        context["schedule"] = catalogue.schedules[entry_id]
    return renderer_of(request).page(request, f"{kind}.html", status, **(context | more))


def _figures(
    shop: Shop, material_id: str, fields: Fields, words: Words
) -> tuple[dict[str, dict[str, float | None]], dict[str, float]]:
    """Read the figures that differ from those that hold; an emptied one is taken away."""
    material = shop.desk.catalogue.materials.get(material_id)
    if material is None:
        raise NotFound("material", say("there is no material {name!r}", name=material_id))
    marks: dict[str, dict[str, float | None]] = {}
    for name, mark in material.marks.items():
        held = {"hours": mark.hours, "low": mark.low_hours, "high": mark.high_hours,
                "closes": mark.closes_hours}  # fmt: skip
        given = {key: _number(fields, f"{name}.{key}") for key in held}
        changed = {key: value for key, value in given.items() if value != held[key]}
        if "hours" in changed and changed["hours"] is None:
            raise BadInput(f"{name}.hours", say("must not be empty"))
        if changed:
            marks[name] = changed
    limits: dict[str, float] = {}
    for name in LIMITS:
        figure = getattr(material.limits, name)
        if (value := _number(fields, name)) is None:
            continue
        plain = words.plain_limit(name, value)
        # What was shown was rounded: only what was typed anew is a change.
        if figure is None or words.limit_figure(name, figure.value) != words.limit_figure(
            name, plain
        ):
            limits[name] = plain
    return marks, limits


def _number(fields: Fields, name: str) -> float | None:
    if name not in fields:
        return None
    try:
        return float(fields[name].replace(",", "."))
    except ValueError as error:
        raise BadInput(name, say("{text!r} is no number", text=fields[name][:20])) from error
