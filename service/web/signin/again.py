"""Signing in once more: asked for before a way in is made or taken away."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.responses import RedirectResponse, Response

from service.shop.said import say
from service.store.errors import BadInput, StoreError
from service.store.signin_tables import Account
from service.web.deps import Shop, ShopDep
from service.web.pages.forms import FormDep, back_to, blame
from service.web.pages.render import renderer_of
from service.web.signin.caller import caller_of
from service.web.signin.entering import enter, wait_words
from service.web.signin.whence import address_of

__all__ = ["PAGE", "prove", "router"]

router = APIRouter()

PAGE = "/sign-in/again"


@router.get(PAGE)
def ask(
    request: Request, shop: ShopDep, then: Annotated[str, Query(alias="next", max_length=500)] = "/"
) -> Response:
    """Ask whether it still is the person who signed in; who did so lately is led on."""
    where = back_to({"back": then}, "/")
    if shop.doors.signed_in_lately(caller_of(request)):
        return RedirectResponse(where, 303)
    return _page(request, shop, where)


@router.post(PAGE)
def sign_in(request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Sign the person in anew by their password."""
    caller, where = caller_of(request), back_to(fields, "/")
    if not caller.signed_in:
        return RedirectResponse(where, 303)
    account = shop.doors.accounts.get(int(caller.account_id or 0))
    try:
        prove(request, shop, account, "password", fields.get("password", ""))
    except StoreError as error:
        return _page(request, shop, where, 422, errors=blame(error))
    return enter(request, shop, int(account.id or 0), where)


def prove(request: Request, shop: Shop, account: Account, field: str, password: str) -> None:
    """Hold a password against the account's own, as slowly as any sign-in.

    Raises
    ------
    BadInput
        Naming ``field`` where it is another, or somebody has guessed too often.
    """
    name, address, doors = caller_of(request).name, address_of(request), shop.doors
    if wait := doors.throttle.begin(name, address):
        raise BadInput(field, wait_words(wait))
    if not doors.passwords.fits(password, account.password_hash):
        raise BadInput(field, say("is not the one there is"))
    doors.throttle.succeeded(name, address)


def _page(
    request: Request,
    shop: Shop,
    where: str,
    status: int = 200,
    *,
    errors: dict[str, str] | None = None,
) -> Response:
    account = shop.doors.accounts.get(int(caller_of(request).account_id or 0))
    return renderer_of(request).page(
        request, "sign_in_again.html", status, back=where, errors=errors or {}, account=account,
        passkeys=shop.doors.passkeys.of_account(int(account.id or 0)),
    )  # fmt: skip
