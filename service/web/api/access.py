"""Ways in: people's roles and invitations, devices that are signed in, tokens of programs."""

from __future__ import annotations

from fastapi import APIRouter, Request, Response

from service.shop.said import say
from service.store.errors import NotFound
from service.web.access_models import (
    AccessOut,
    DeviceOut,
    LinkOut,
    RoleIn,
    TokenIn,
    TokenMadeOut,
    TokenOut,
    device_out,
    token_out,
)
from service.web.deps import Shop, ShopDep
from service.web.scalars import RowId
from service.web.signin.caller import caller_of
from service.web.signin.granting import link_made, token_made

__all__ = ["router"]

router = APIRouter(tags=["access"])


@router.get("/access/people")
def list_access(shop: ShopDep) -> list[AccessOut]:
    """List everybody, and what each may."""
    return _everybody(shop)


@router.post("/access/people/{person_id:int}/invitations", status_code=201)
def invite(person_id: RowId, body: RoleIn, request: Request, shop: ShopDep) -> LinkOut:
    """Make a link by which a person comes in, or comes in again; an older one ends."""
    return _told(shop, link_made(request, shop, "invite", body.role, person_id))


@router.put("/access/people/{person_id:int}/role")
def set_role(person_id: RowId, body: RoleIn, shop: ShopDep) -> AccessOut:
    """Make a person who has a sign-in something else; the last owner stays one."""
    shop.doors.accounts.set_role(person_id, body.role)
    shop.doors.changed()
    return next(row for row in _everybody(shop) if row.person == person_id)


@router.delete("/access/people/{person_id:int}", status_code=204, response_class=Response)
def close(person_id: RowId, shop: ShopDep) -> Response:
    """Take a person's sign-in away, with every device of it; the last owner's stays."""
    shop.doors.accounts.close(person_id)
    shop.doors.changed()
    return Response(status_code=204)


@router.post("/access/wall-links", status_code=201)
def wall_link(request: Request, shop: ShopDep) -> LinkOut:
    """Make a link that turns a device into a wall screen."""
    return _told(shop, link_made(request, shop, "wall"))


@router.get("/access/devices")
def list_devices(request: Request, shop: ShopDep) -> list[DeviceOut]:
    """List every device that is signed in, the one seen last first."""
    this = caller_of(request).session_id
    return [device_out(device, this) for device in shop.doors.sessions.alive()]


@router.delete("/access/devices/{session_id:int}", status_code=204, response_class=Response)
def end_device(session_id: RowId, shop: ShopDep) -> Response:
    """Sign any device out."""
    shop.doors.sessions.end(session_id)
    shop.doors.changed()
    return Response(status_code=204)


@router.get("/access/tokens")
def list_tokens(shop: ShopDep) -> list[TokenOut]:
    """List the tokens that count, the newest first."""
    return [token_out(row) for row in shop.doors.tokens.in_use()]


@router.post("/access/tokens", status_code=201)
def make_token(body: TokenIn, request: Request, shop: ShopDep, response: Response) -> TokenMadeOut:
    """Make a token for a program."""
    token, row = token_made(request, shop, body.name, body.scope, body.days)
    response.headers["Location"] = f"/api/v1/access/tokens/{row.id}"
    return TokenMadeOut(token=token, **token_out(row).model_dump())


@router.delete("/access/tokens/{token_id:int}", status_code=204, response_class=Response)
def revoke_token(token_id: RowId, shop: ShopDep) -> Response:
    """Let a token count no more."""
    shop.doors.tokens.revoke(token_id)
    shop.doors.changed()
    return Response(status_code=204)


@router.get("/sign-in/devices")
def list_own_devices(request: Request, shop: ShopDep) -> list[DeviceOut]:
    """List the devices that one is signed in on oneself."""
    caller = caller_of(request)
    if not caller.signed_in:
        return []
    alive = shop.doors.sessions.alive()
    own = [device for device in alive if device.row.account_id == caller.account_id]
    return [device_out(device, caller.session_id) for device in own]


@router.delete("/sign-in/devices/{session_id:int}", status_code=204, response_class=Response)
def end_own_device(session_id: RowId, request: Request, shop: ShopDep) -> Response:
    """Sign one of one's own devices out."""
    caller = caller_of(request)
    if not caller.signed_in:
        raise NotFound("session", say("there is no device {session_id}", session_id=session_id))
    shop.doors.sessions.end(session_id, caller.account_id)
    shop.doors.changed()
    return Response(status_code=204)


@router.delete("/sign-in/devices", status_code=204, response_class=Response)
def end_own_others(request: Request, shop: ShopDep) -> Response:
    """Sign every other device of one's own out."""
    caller = caller_of(request)
    if caller.signed_in:
        shop.doors.sessions.end_others(int(caller.account_id or 0), caller.session_id)
        shop.doors.changed()
    return Response(status_code=204)


def _everybody(shop: Shop) -> list[AccessOut]:
    roles = {person.id: account.role for account, person in shop.doors.accounts.everybody()}
    return [
        AccessOut(
            person=int(person.id or 0),
            name=person.name,
            role=roles.get(person.id),
            link_until=shop.doors.links.waiting(int(person.id or 0)),
        )
        for person in shop.telling.people.people()
    ]


def _told(shop: Shop, address: str) -> LinkOut:
    link = shop.doors.links.look(address.rpartition("/")[2])
    return LinkOut(address=address, ends_at=link.ends_at)
