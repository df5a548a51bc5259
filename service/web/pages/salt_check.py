"""The two-jar salt check as a guided page: one thing to do at a time."""

from __future__ import annotations

from collections.abc import Callable

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from service.science.salts import SALTS, equilibrium_rh
from service.shop.jars import USUAL_SALTS
from service.store.errors import StoreError
from service.web import inputs
from service.web.deps import Shop, ShopDep
from service.web.pages.forms import Fields, FormDep, FormError, back_to, blame, read
from service.web.pages.render import renderer_of
from service.web.scalars import RowId
from service.web.words import Words

__all__ = ["router"]

router = APIRouter()

CHOICE_C = 20.0
"""Temperature at which the choice of salts names their humidity."""

Act = Callable[[Shop, int, Fields, Words], str]
"""Does what a form asks for, and returns what is said of it."""


@router.get("/sensors/{sensor_id:int}/salt-check")
def get_check(sensor_id: RowId, request: Request, shop: ShopDep) -> Response:
    """Show where the check is and what to do now."""
    return _page(request, shop, sensor_id)


@router.post("/sensors/{sensor_id:int}/salt-check/begin")
def begin(sensor_id: RowId, request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Begin: the sensor is in the first jar."""
    return _act(request, shop, sensor_id, fields, _begin)


@router.post("/sensors/{sensor_id:int}/salt-check/take")
def take(sensor_id: RowId, request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Take the reading of the jar the sensor is in."""
    return _act(request, shop, sensor_id, fields, _take)


@router.post("/sensors/{sensor_id:int}/salt-check/jar")
def jar(sensor_id: RowId, request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Say that the sensor is in the second jar, or again in one that was taken."""
    return _act(request, shop, sensor_id, fields, _jar)


@router.post("/sensors/{sensor_id:int}/salt-check/adopt")
def adopt(sensor_id: RowId, request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Make the result the sensor's correction."""
    return _act(request, shop, sensor_id, fields, _adopt, leaves=True)


@router.post("/sensors/{sensor_id:int}/salt-check/give-up")
def give_up(sensor_id: RowId, request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """End the check without a correction."""
    return _act(request, shop, sensor_id, fields, _give_up, leaves=True)


def _act(
    request: Request,
    shop: Shop,
    sensor_id: int,
    fields: Fields,
    act: Act,
    *,
    leaves: bool = False,
) -> Response:
    try:
        said = act(shop, sensor_id, fields, renderer_of(request).words)
    except (FormError, StoreError) as error:
        return _page(request, shop, sensor_id, 422, errors=blame(error), values=fields)
    shop.hub.publish("air", {"place": shop.desk.sensor_detail(sensor_id).place_id})
    home = f"/sensors/{sensor_id}" if leaves else f"/sensors/{sensor_id}/salt-check"
    return RedirectResponse(back_to({}, home, said=said), 303)


def _begin(shop: Shop, sensor_id: int, fields: Fields, words: Words) -> str:
    form = read(inputs.SaltCheckIn, fields, words)
    shop.salt_checks.begin(sensor_id, form.first, form.second)
    return "check-begun"


def _take(shop: Shop, sensor_id: int, fields: Fields, _words: Words) -> str:
    shop.salt_checks.take(sensor_id, anyway=fields.get("anyway") == "yes")
    return "jar-taken"


def _jar(shop: Shop, sensor_id: int, fields: Fields, words: Words) -> str:
    again = fields.get("again") == "yes"
    form = read(inputs.JarIn, fields, words)
    if again:
        shop.salt_checks.repeat(sensor_id, form.jar - 1)
    else:
        shop.salt_checks.next_jar(sensor_id)
    return "check-begun"


def _adopt(shop: Shop, sensor_id: int, fields: Fields, words: Words) -> str:
    form = read(inputs.AdoptIn, fields, words)
    shop.salt_checks.adopt(sensor_id, from_at=form.from_at, who=form.who)
    return "corrected"


def _give_up(shop: Shop, sensor_id: int, fields: Fields, _words: Words) -> str:
    shop.salt_checks.give_up(sensor_id, never_away=fields.get("never_away") == "yes")
    return "check-over"


def _page(
    request: Request,
    shop: Shop,
    sensor_id: int,
    status: int = 200,
    *,
    values: Fields | None = None,
    errors: dict[str, str] | None = None,
) -> Response:
    words = renderer_of(request).words
    salts = [
        (
            name,
            words.say(
                "{salt}, {formula}: {rh} % RH",
                salt=words.tongue.said(name),
                formula=salt.formula,
                rh=words.figure(equilibrium_rh(name, CHOICE_C)),
            ),
        )
        for name, salt in SALTS.items()
    ]
    return renderer_of(request).page(
        request,
        "salt_check.html",
        status,
        sensor=shop.desk.sensor_detail(sensor_id),
        check=shop.salt_checks.open_check(sensor_id),
        salts=salts,
        usual=USUAL_SALTS,
        values=values or {},
        errors=errors or {},
    )
