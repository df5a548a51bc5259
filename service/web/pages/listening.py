"""The page that finds sensors of any make: listen, look, alter the mapping, try, adopt."""

from __future__ import annotations

from contextlib import suppress
from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from service.shop.said import say
from service.store.errors import StoreError
from service.web import kind_answers as answers
from service.web.deps import ListenError, Shop, ShopDep
from service.web.pages import mapping_form
from service.web.pages.forms import Fields, FormDep, back_to
from service.web.pages.render import renderer_of

__all__ = ["router"]

router = APIRouter()

SECONDS = {"15": "15 s", "30": "30 s", "60": "1 min", "180": "3 min", "600": "10 min"}

SAID = {
    "adopted": "Adopted. Its readings count from the next one on.",
    "retired": "Out of use. What it has brought stays.",
}


@router.get("/listening")
@router.get("/listening/kinds")  # where a refused form stands, and asks for itself again
def show(request: Request, shop: ShopDep) -> Response:
    """Show what was heard, what is proposed, and the sensor kinds in use."""
    said = SAID.get(request.query_params.get("said", ""))
    return _page(request, shop, did={"text": said, "undo": None} if said else None)


@router.post("/listening")
def listen(request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Begin to listen."""
    seconds = fields.get("seconds", "30")
    if seconds not in SECONDS:
        return _page(request, shop, 422, errors={"seconds": say("is none of those offered")})
    with suppress(ListenError):  # a second tap: the round under way is shown
        shop.listener.start(int(seconds), shop.kinds.reads())
    return RedirectResponse("/listening", 303)


@router.post("/listening/kinds")
def adopt(request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Try the mapping that was typed, or adopt it."""
    spec = mapping_form.spec_of(fields)
    try:
        if fields.get("do") == "try":
            payload = fields.get("payload", "").encode()
            tried = answers.try_out(spec, fields.get("tried_topic", ""), payload, shop)
            return _page(request, shop, typed=fields, tried=tried)
        shop.kinds.adopt(fields.get("name", ""), spec)
    except StoreError as error:
        wrong = mapping_form.blame(error, spec)
        return _page(request, shop, 422, typed=fields, wrong=wrong)
    shop.kinds_changed()
    return RedirectResponse(back_to(fields, "/listening", said="adopted"), 303)


@router.post("/listening/kinds/{kind_id}/retire")
def retire(kind_id: str, shop: ShopDep) -> Response:
    """Take a sensor kind out of use."""
    shop.kinds.retire(kind_id)
    shop.kinds_changed()
    return RedirectResponse("/listening?said=retired", 303)


def _page(
    request: Request,
    shop: Shop,
    status: int = 200,
    *,
    typed: Fields | None = None,
    wrong: dict[str, str] | None = None,
    tried: list[answers.TriedOut] | None = None,
    **more: Any,
) -> Response:
    """Draw the page; what was typed stands in the form it was typed in."""
    heard = answers.listening_out(shop)
    samples = {topic.topic: topic.samples[-1] for topic in heard.topics if topic.samples}
    forms = [
        mapping_form.form_of(str(index), proposal, samples)
        for index, proposal in enumerate(heard.proposals)
    ]
    forms.append(mapping_form.blank())
    if typed is not None:
        forms = [
            mapping_form.as_typed(form, typed, wrong or {}, tried)
            if form.key == typed.get("form", "own")
            else form
            for form in forms
        ]
    return renderer_of(request).page(
        request,
        "listening.html",
        status,
        heard=heard,
        reasons={one.topic: one.why for one in heard.unclear},
        forms=forms,
        kinds=[answers.kind_out(kind) for kind in shop.kinds.in_use()],
        seconds_offered=SECONDS.items(),
        quantities=mapping_form.QUANTITIES,
        units=mapping_form.UNIT_CHOICES,
        time_forms=mapping_form.TIME_FORMS,
        **more,
    )
