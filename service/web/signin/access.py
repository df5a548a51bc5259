"""An owner's page: who may come in as what, from which devices, and links for others."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from service.shop.said import say
from service.store.accounts import ROLES
from service.store.errors import BadInput, StoreError
from service.web import phrases
from service.web.deps import Shop, ShopDep
from service.web.pages.forms import FormDep, blame
from service.web.pages.job_card import code
from service.web.pages.render import renderer_of
from service.web.scalars import RowId
from service.web.signin.granting import link_made, token_made

__all__ = ["PAGE", "router"]

router = APIRouter()

PAGE = "/settings/access"


@router.get(PAGE)
def show(request: Request, shop: ShopDep) -> Response:
    """Show who may come in, and from where they do."""
    return _page(request, shop)


@router.post(f"{PAGE}/people/{{person_id:int}}/invite")
def invite(person_id: RowId, request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Make a link by which a person comes in, or comes in again; it is shown this once."""
    role = fields.get("role", "")
    if role not in ROLES:
        return _page(request, shop, 422, errors={"role": say("is none of the choices")})
    person = shop.telling.people.person(person_id)
    address = link_made(request, shop, "invite", role, person_id)
    return _link(request, address, person=person, role=role)


@router.post(f"{PAGE}/wall")
def wall_link(request: Request, shop: ShopDep) -> Response:
    """Make a link for a wall screen; it is shown this once."""
    return _link(request, link_made(request, shop, "wall"), person=None, role="wall")


@router.post(f"{PAGE}/tokens")
def make_token(request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Make a token for a program; it is shown this once."""
    typed = fields.get("days", "")
    try:
        if typed and not (typed.isdecimal() and len(typed) < 10):
            raise BadInput("days", say("is no whole number"))
        name, scope = fields.get("name", ""), fields.get("scope", "")
        token, _ = token_made(request, shop, name, scope, int(typed) if typed else None)
    except StoreError as error:
        return _page(request, shop, 422, errors=blame(error), values=fields)
    return renderer_of(request).page(request, "access_token.html", name=name, token=token)


@router.post(f"{PAGE}/tokens/{{token_id:int}}/revoke")
def revoke_token(token_id: RowId, shop: ShopDep) -> Response:
    """Let a token count no more."""
    shop.doors.tokens.revoke(token_id)
    shop.doors.changed()
    return RedirectResponse(f"{PAGE}?said=token-gone", 303)


@router.post(f"{PAGE}/people/{{person_id:int}}/role")
def set_role(person_id: RowId, request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Make a person something else."""
    try:
        shop.doors.accounts.set_role(person_id, fields.get("role", ""))
    except StoreError as error:
        return _page(request, shop, 422, errors=blame(error))
    shop.doors.changed()
    return RedirectResponse(f"{PAGE}?said=role-set", 303)


@router.post(f"{PAGE}/people/{{person_id:int}}/close")
def close(person_id: RowId, request: Request, shop: ShopDep) -> Response:
    """Take a person's sign-in away."""
    try:
        shop.doors.accounts.close(person_id)
    except StoreError as error:
        return _page(request, shop, 422, errors=blame(error))
    shop.doors.changed()
    return RedirectResponse(f"{PAGE}?said=access-closed", 303)


@router.post(f"{PAGE}/devices/{{session_id:int}}/end")
def end_device(session_id: RowId, shop: ShopDep) -> Response:
    """Sign any device out."""
    shop.doors.sessions.end(session_id)
    shop.doors.changed()
    return RedirectResponse(f"{PAGE}?said=device-ended", 303)


def _page(request: Request, shop: Shop, status: int = 200, **more: Any) -> Response:
    doors = shop.doors
    accounts = {person.id: account for account, person in doors.accounts.everybody()}
    people = [
        (person, accounts.get(person.id), doors.links.waiting(int(person.id or 0)))
        for person in shop.telling.people.people()
    ]
    return renderer_of(request).page(
        request,
        "access.html",
        status,
        people=people,
        devices=doors.sessions.alive(),
        tokens=doors.tokens.in_use(),
        scopes=phrases.SCOPES,
        real_now=doors.clock.now(),
        **more,
    )


def _link(request: Request, address: str, **about: Any) -> Response:
    return renderer_of(request).page(
        request, "access_link.html", address=address, code=code(address), **about
    )
