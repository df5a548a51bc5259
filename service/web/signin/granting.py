"""Ways in that an owner makes for others: links and tokens, for pages and API alike."""

from __future__ import annotations

from fastapi import Request

from service.shop.said import say
from service.store.errors import BadInput
from service.store.one_time_links import Purpose
from service.store.signin_tables import ApiToken
from service.web.deps import Shop
from service.web.pages.job_card import page_base
from service.web.signin.caller import caller_of

__all__ = ["link_made", "token_made"]


def link_made(
    request: Request, shop: Shop, purpose: Purpose, role: str = "", person_id: int | None = None
) -> str:
    """Make a link that lets somebody in once; return its address, which nobody can tell later.

    Raises
    ------
    BadInput
        Naming ``sign_in`` where nobody has to sign in.
    NotFound
        Naming ``person``.
    """
    _must_be_on(shop)
    secret = shop.doors.links.make(purpose, role, person_id)
    return f"{page_base(request, shop.settings)}/welcome/{secret}"


def token_made(
    request: Request, shop: Shop, name: str, scope: str, days: int | None
) -> tuple[str, ApiToken]:
    """Make a token for a program; return it, which nobody can tell later, and its row.

    Raises
    ------
    BadInput
        Naming ``sign_in``, ``name``, ``scope`` or ``days``.
    """
    _must_be_on(shop)
    tokens = shop.doors.tokens
    token = tokens.make(name, scope, days, caller_of(request).account_id)
    row = tokens.find(token)
    if row is None:
        raise RuntimeError("a token that was just made is not there")
    return token, row


def _must_be_on(shop: Shop) -> None:
    if not shop.doors.on:
        raise BadInput("sign_in", say("is off: nobody has to sign in"))
