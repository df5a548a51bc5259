"""Signing in and out."""

from __future__ import annotations

from datetime import timedelta
from math import ceil
from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.responses import RedirectResponse, Response

from service.shop.said import say
from service.web.deps import Shop, ShopDep
from service.web.pages.forms import Fields, FormDep, back_to
from service.web.pages.render import renderer_of
from service.web.signin import cookies
from service.web.signin.caller import caller_of
from service.web.signin.doors import device_of
from service.web.signin.recorder import it_was
from service.web.signin.whence import address_of

__all__ = ["router", "wait_words"]

router = APIRouter()


@router.get("/sign-in")
def ask(
    request: Request, shop: ShopDep, then: Annotated[str, Query(alias="next", max_length=500)] = "/"
) -> Response:
    """Ask who it is; who is signed in already is led on."""
    where = back_to({"back": then}, "/")
    if not shop.doors.on or caller_of(request).signed_in:
        return RedirectResponse(where, 303)
    return _page(request, where)


@router.post("/sign-in")
def sign_in(request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Let a person in by name and password."""
    doors, where = shop.doors, back_to(fields, "/")
    name, address = fields.get("name", ""), address_of(request)
    if not doors.on:
        return RedirectResponse(where, 303)
    if wait := doors.throttle.begin(name, address):
        errors = {"password": wait_words(wait)}
        answer = _page(request, where, 429, values=fields, errors=errors)
        answer.headers["Retry-After"] = str(ceil(wait.total_seconds()))
        return answer
    password = fields.get("password", "")
    account = doors.accounts.named(name)
    # Only the name of somebody there is: a password is easily typed into the wrong field.
    it_was(request, "" if account is None else " ".join(name.split()))
    kept = "" if account is None else account.password_hash
    if not doors.passwords.fits(password, kept) or account is None:
        # Which of the two it was is nobody's business.
        errors = {"password": say("is not the one of this name")}
        return _page(request, where, 422, values=fields, errors=errors)
    doors.throttle.succeeded(name, address)
    account_id = int(account.id or 0)
    if doors.passwords.wants_renewal(kept):
        doors.accounts.set_password(account_id, doors.passwords.again(password))
    return enter(request, shop, account_id, where)


@router.post("/sign-out")
def sign_out(request: Request, shop: ShopDep) -> Response:
    """Sign this device out."""
    session_id = caller_of(request).session_id
    if session_id is not None:
        shop.doors.sessions.end(session_id)
        shop.doors.changed()
    answer = RedirectResponse("/sign-in?said=signed-out", 303)
    cookies.forget(answer, request)
    return answer


def enter(request: Request, shop: Shop, account_id: int, where: str) -> Response:
    """Sign this device in, and lead it on; the session it had before ends."""
    before = caller_of(request).session_id
    token = shop.doors.sessions.begin(account_id, device_of(request), address_of(request))
    if before is not None:
        shop.doors.sessions.end(before)
        shop.doors.changed()
    answer = RedirectResponse(where, 303)
    cookies.give(answer, request, token)
    return answer


def wait_words(wait: timedelta) -> str:
    """Say how long the next attempt has to wait."""
    seconds = ceil(wait.total_seconds())
    if seconds > 90:
        return say("too many attempts: again in {count:.0f} min", count=ceil(seconds / 60))
    return say("too many attempts: again in {count:.0f} s", count=seconds)


def _page(
    request: Request,
    where: str,
    status: int = 200,
    *,
    values: Fields | None = None,
    errors: dict[str, str] | None = None,
) -> Response:
    shown = {"name": (values or {}).get("name", "")}  # never the password
    return renderer_of(request).page(
        request, "sign_in.html", status, back=where, values=shown, errors=errors or {},
        plain_http=plain_http(request),
    )  # fmt: skip


def plain_http(request: Request) -> bool:
    """Whether somebody on the way could read along."""
    on_machine = (request.url.hostname or "") in {"localhost", "127.0.0.1", "::1"}
    return not cookies.is_https(request) and not on_machine
