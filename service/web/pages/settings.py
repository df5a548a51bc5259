"""Pages of what is set once: the shop's settings, and the words of whoever holds the phone."""

from __future__ import annotations

from typing import Any
from zoneinfo import available_timezones

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from service.shop.said import say
from service.store.errors import BadInput, StoreError
from service.web.deps import Shop, ShopDep
from service.web.pages.forms import Fields, FormDep, FormError, back_to, blame
from service.web.pages.render import Renderer, renderer_of
from service.web.person import CHOICES, PERSON, keep
from service.web.words import Words

__all__ = ["router", "take_settings"]

router = APIRouter()

AS_TYPED = {"altitude_m": "altitude", "stale_after_s": "stale_min"}
"""Settings that a form asks for in another unit, by another name."""


@router.get("/settings")
def get_settings(request: Request, shop: ShopDep) -> Response:
    """Show the shop's settings, and where each comes from."""
    return _settings(renderer_of(request), request, shop)


@router.post("/settings")
def set_settings(request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Take the shop's settings."""
    renderer = renderer_of(request)
    if wrong := take_settings(shop, fields, renderer.words):
        return _settings(renderer, request, shop, 422, errors=wrong, values=fields)
    shop.hub.publish("work", {"settings": True})
    return RedirectResponse("/settings?said=settings", 303)


@router.get("/settings/device")
def get_device(request: Request, shop: ShopDep) -> Response:
    """Ask who uses this phone, and how it is to speak."""
    return _device(renderer_of(request), request, shop)


@router.post("/settings/device/person")
def set_person(request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Say who uses this phone."""
    chosen = fields.get("person", "")
    renderer = renderer_of(request)
    known = {str(person.id) for person in shop.telling.people.people()}
    if chosen and chosen not in known:
        errors = {"person": say("is nobody here")}
        return _device(renderer, request, shop, 422, errors=errors, values=fields)
    answer = RedirectResponse("/settings/device?said=device", 303)
    keep(answer, PERSON, chosen)
    return answer


@router.post("/settings/device")
def set_device(request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Take units, clock, language and look: of the person, else of this device."""
    renderer = renderer_of(request)
    langs = tuple(tongue.lang for tongue in renderer.tongues)
    allowed = CHOICES | {"lang": langs}
    chosen = {name: fields.get(name, "") for name in CHOICES}
    for name, value in chosen.items():
        if value and value not in allowed[name]:
            errors = {name: say("is none of those offered")}
            return _device(renderer, request, shop, 422, errors=errors, values=fields)
    answer = RedirectResponse(back_to(fields, "/settings/device", said="device"), 303)
    person = renderer.holder.person
    if person is not None:
        # What others keep there stays.
        kept = {name: value for name, value in person.prefs.items() if name not in chosen}
        said = {name: value for name, value in chosen.items() if value}
        shop.telling.people.change(int(person.id or 0), prefs=kept | said)
    for name, value in chosen.items():
        # A device that is one person's says nothing of its own, but for the look of its screen.
        keep(answer, name, value if person is None or name == "theme" else "")
    return answer


def take_settings(shop: Shop, fields: Fields, words: Words) -> dict[str, str]:
    """Take a form of settings; return what is wrong by field, and then nothing was taken."""
    try:
        shop.book.change(_given(fields, words))
    except (FormError, StoreError) as error:
        return {AS_TYPED.get(name, name): why for name, why in blame(error).items()}
    return {}


def _given(fields: Fields, words: Words) -> dict[str, Any]:
    """Read a form of settings; fields it does not have are left alone, empty ones go back.

    Raises
    ------
    FormError
        Naming the field that is no number.
    """
    given: dict[str, Any] = {}
    for name in ("name", "zone", "units", "clock", "check_every_days", "keep_raw_days"):
        if name in fields or f"has-{name}" in fields:
            given[name] = fields.get(name)
    for name, plain in (
        ("altitude_m", words.height_m),
        ("stale_after_s", lambda minutes: 60.0 * minutes),
    ):
        typed = AS_TYPED[name]
        if typed in fields:
            try:
                given[name] = plain(float(fields[typed].replace(",", ".")))
            except ValueError as error:
                raise FormError([(typed, say("is no number"))]) from error
        elif f"has-{typed}" in fields:
            given[name] = None
    if "has-keep_raw_days" in fields and fields.get("keep_raw_days") == "0":
        raise BadInput("keep_raw_days", say("must be empty or 30 at least"))
    return given


def _settings(
    renderer: Renderer, request: Request, shop: Shop, status: int = 200, **more: Any
) -> Response:
    return renderer.page(
        request,
        "settings.html",
        status,
        kept=shop.book.now,
        sources=shop.book.sources(),
        machine_zone=str(shop.book.now.tz),
        zones=sorted(available_timezones()),
        **more,
    )


def _device(
    renderer: Renderer, request: Request, shop: Shop, status: int = 200, **more: Any
) -> Response:
    return renderer.page(
        request,
        "device.html",
        status,
        holder=renderer.holder,
        kept=shop.book.now,
        people=shop.telling.people.people(),
        langs=[(tongue.lang, tongue.name) for tongue in renderer.tongues],
        **more,
    )
