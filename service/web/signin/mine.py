"""A person's own sign-in: password, and the devices that are signed in."""

from __future__ import annotations

from urllib.parse import urlencode

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from service.store.errors import StoreError
from service.web.deps import Shop, ShopDep
from service.web.pages.forms import FormDep, blame
from service.web.pages.render import renderer_of
from service.web.scalars import RowId
from service.web.signin.again import PAGE as AGAIN
from service.web.signin.again import prove
from service.web.signin.caller import caller_of

__all__ = ["PAGE", "router"]

router = APIRouter()

PAGE = "/settings/sign-in"


@router.get(PAGE)
def show(request: Request, shop: ShopDep) -> Response:
    """Show how the person signs in, and where."""
    return _page(request, shop)


@router.post(f"{PAGE}/password")
def set_password(request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Set another password; the one there is has to be known. Other devices are signed out."""
    caller, doors = caller_of(request), shop.doors
    if not caller.signed_in:
        return RedirectResponse(PAGE, 303)
    account = doors.accounts.get(int(caller.account_id or 0))
    if not account.password_hash and not doors.signed_in_lately(caller):
        return RedirectResponse(f"{AGAIN}?{urlencode({'next': PAGE})}", 303)
    try:
        if account.password_hash:
            prove(request, shop, account, "present", fields.get("present", ""))
        hashed = doors.passwords.make(
            fields.get("password", ""), caller.name, fields.get("present", "")
        )
    except StoreError as error:
        return _page(request, shop, 422, errors=blame(error))
    doors.accounts.set_password(int(account.id or 0), hashed)
    doors.sessions.end_others(int(account.id or 0), caller.session_id)
    doors.changed()
    return RedirectResponse(f"{PAGE}?said=password-set", 303)


@router.post(f"{PAGE}/devices/{{session_id:int}}/end")
def end_device(session_id: RowId, request: Request, shop: ShopDep) -> Response:
    """Sign one of the person's devices out."""
    caller = caller_of(request)
    if caller.signed_in:
        shop.doors.sessions.end(session_id, caller.account_id)
        shop.doors.changed()
    return RedirectResponse(f"{PAGE}?said=device-ended", 303)


@router.post(f"{PAGE}/devices/end-others")
def end_others(request: Request, shop: ShopDep) -> Response:
    """Sign every other device of the person out."""
    caller = caller_of(request)
    if caller.signed_in:
        shop.doors.sessions.end_others(int(caller.account_id or 0), caller.session_id)
        shop.doors.changed()
    return RedirectResponse(f"{PAGE}?said=devices-ended", 303)


def _page(
    request: Request, shop: Shop, status: int = 200, errors: dict[str, str] | None = None
) -> Response:
    caller, doors = caller_of(request), shop.doors
    account = doors.accounts.get(caller.account_id) if caller.account_id is not None else None
    devices = [d for d in doors.sessions.alive() if account and d.row.account_id == account.id]
    return renderer_of(request).page(
        request,
        "my_sign_in.html",
        status,
        account=account,
        devices=devices,
        passkeys=doors.passkeys.of_account(int(account.id or 0)) if account else [],
        real_now=doors.clock.now(),
        errors=errors or {},
    )
