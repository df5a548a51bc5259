"""A tap that carries its own key and instant: recorded once, however often it is sent."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from fastapi import Request
from starlette.responses import Response

from service.shop.said import say
from service.store.errors import BadInput, StoreError
from service.web.deps import Shop
from service.web.pages.forms import Fields, FormError, blame
from service.web.problems import problem, store_status
from service.web.signin.caller import caller_of

__all__ = ["made_at", "once", "refused"]


def once(shop: Shop, request: Request, fields: Fields, do: Callable[[], str]) -> str:
    """Do what was tapped, unless its key was heard before; return where its answer leads.

    ``do`` returns that address. A form without a key, sent without script, is simply done. Whoever
    calls sees to it that nobody else does meanwhile (``Database.one_at_a_time``).

    Raises
    ------
    StoreError
        Naming ``tap`` where the key is none, or belongs to another act; or whatever ``do`` raises.
    """
    key, act = fields.get("tap"), request.url.path
    by, here = fields.get("tapped_by"), caller_of(request).person_id
    if by is not None and here is not None and by != str(here):
        # It waited on a phone that somebody else has signed in on since.
        raise BadInput("tapped_by", say("was tapped by somebody else: record it by hand"))
    if key is None:
        return do()
    first = shop.taps.answer(key, act)
    return shop.taps.record(key, act, do) if first is None else first


def made_at(shop: Shop, fields: Fields, name: str) -> Fields:
    """Take the instant of a tap that waited for the connection as the time of what was done.

    It goes into the field ``name``, unless a person gave a time there.

    Raises
    ------
    FormError, StoreError
        Naming ``tapped_at`` where it is no instant or cannot be.
    """
    if "tapped_at" not in fields:
        return fields
    try:
        said = datetime.fromisoformat(fields["tapped_at"])
    except ValueError as error:
        raise FormError([("tapped_at", say("is no date and time"))]) from error
    made = shop.taps.made_at(said)
    return fields if name in fields else fields | {name: made.isoformat()}


def refused(error: FormError | StoreError) -> Response:
    """Say what was wrong to whoever sends taps that waited, and looks at no page."""
    status = 422 if isinstance(error, FormError) else store_status(error)
    errors = list(blame(error).items())
    return problem(status, "; ".join(f"{name}: {reason}" for name, reason in errors), errors)
