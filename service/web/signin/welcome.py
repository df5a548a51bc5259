"""The page behind a one-time link: the first owner, who was invited, a wall screen."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Request
from starlette.responses import RedirectResponse, Response

from service.shop.said import say
from service.store.errors import BadInput, NotFound, StoreError
from service.store.signin_tables import OneTimeLink
from service.web.deps import Shop, ShopDep
from service.web.pages.forms import Fields, FormDep, blame
from service.web.pages.render import renderer_of
from service.web.signin import cookies
from service.web.signin.caller import caller_of
from service.web.signin.doors import device_of
from service.web.signin.entering import plain_http
from service.web.signin.recorder import it_was
from service.web.signin.whence import address_of

__all__ = ["router"]

router = APIRouter()

Secret = Annotated[str, Path(max_length=64)]


@router.get("/welcome/{secret}")
def ask(secret: Secret, request: Request, shop: ShopDep) -> Response:
    """Show what the link is for. Looking at it, as a mail scanner does, uses nothing up."""
    if not shop.doors.on:
        return RedirectResponse("/", 303)
    try:
        link = shop.doors.links.look(secret)
    except NotFound:
        return renderer_of(request).page(request, "welcome_over.html", 404)
    return _page(request, shop, link)


@router.post("/welcome/{secret}")
def accept(secret: Secret, request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Use the link up: keep the password, if one was given, and sign this device in."""
    doors = shop.doors
    if not doors.on:
        return RedirectResponse("/", 303)
    try:
        link = doors.links.look(secret)
    except NotFound:
        return renderer_of(request).page(request, "welcome_over.html", 404)
    try:
        hashed = _password(shop, fields) if link.purpose != "wall" else ""
        person = doors.links.person(link)
        it_was(request, fields.get("name", link.purpose) if person is None else person.name)
        token, _ = doors.links.accept(
            secret,
            device_of(request),
            address_of(request),
            name=fields.get("name", ""),
            password_hash=hashed,
        )
    except NotFound:  # somebody else was quicker
        return renderer_of(request).page(request, "welcome_over.html", 404)
    except StoreError as error:
        return _page(request, shop, link, 422, values=fields, errors=blame(error))
    before = caller_of(request).session_id
    if before is not None:
        doors.sessions.end(before)
    doors.changed()
    passkey = "passkey" in fields
    where = "/wall" if link.purpose == "wall" else "/settings/sign-in#passkeys" if passkey else "/"
    answer = RedirectResponse(where, 303)
    cookies.give(answer, request, token)
    return answer


def _password(shop: Shop, fields: Fields) -> str:
    """Return the hash of the password that was given; empty for this device only, or a passkey."""
    if "later" in fields or "passkey" in fields:
        return ""
    if "password" not in fields:
        raise BadInput("password", say("must not be empty"))
    return shop.doors.passwords.make(fields["password"], fields.get("name", ""))


def _page(
    request: Request,
    shop: Shop,
    link: OneTimeLink,
    status: int = 200,
    *,
    values: Fields | None = None,
    errors: dict[str, str] | None = None,
) -> Response:
    renderer = renderer_of(request)
    person = shop.doors.links.person(link)
    owner = shop.doors.links.first_owner_name()
    return renderer.page(
        request,
        "welcome.html",
        status,
        link=link,
        person=person,
        owner=owner,
        names=[row.name for row in shop.telling.people.people()],
        values={"name": (values or {}).get("name", "")},
        errors=errors or {},
        plain_http=plain_http(request),
    )
