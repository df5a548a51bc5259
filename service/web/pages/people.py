"""Pages of the people who are told things: everybody, one with rules and channels."""

from __future__ import annotations

import base64
import secrets
from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from service.shop.notices import NOTICE_KINDS
from service.shop.said import say
from service.store.errors import BadInput, StoreError
from service.web import people_words
from service.web.api.people import checked
from service.web.deps import Shop, ShopDep
from service.web.pages.forms import Fields, FormDep, blame, with_point
from service.web.pages.render import renderer_of
from service.web.scalars import RowId
from service.web.words import Words

__all__ = ["router"]

router = APIRouter()

LATEST = 10
"""As many messages are shown."""

NAMED = 4
"""As many kinds are named; more are counted."""


@router.get("/settings/people")
def list_people(request: Request, shop: ShopDep) -> Response:
    """Show everybody who is told things."""
    return _list(request, shop)


@router.post("/settings/people")
def add_person(request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Add a person."""
    try:
        row = shop.telling.people.add(fields.get("name", ""))
    except StoreError as error:
        return _list(request, shop, 422, values=fields, errors=blame(error))
    return RedirectResponse(f"/settings/people/{row.id}", 303)


@router.get("/settings/people/{person_id:int}")
def get_person(person_id: RowId, request: Request, shop: ShopDep) -> Response:
    """Show a person: how to reach them, what they are told, and what was sent last."""
    return _page(request, shop, person_id)


@router.post("/settings/people/{person_id:int}")
def change_person(person_id: RowId, request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Change a person's name and words."""
    people = shop.telling.people
    words = {k: fields[k] for k in ("units", "clock", "lang") if k in fields}
    kept = {
        k: v
        for k, v in people.person(person_id).prefs.items()
        if k not in ("units", "clock", "lang")
    }
    if "clock" in words:
        words["clock"] = 12 if words["clock"] == "12" else 24  # type: ignore[assignment]  # kept as a number
    try:
        people.change(person_id, name=fields.get("name", ""), prefs=kept | words)
    except StoreError as error:
        return _refused(request, shop, person_id, "name", fields, error)
    return _done(person_id, "person-set")


@router.post("/settings/people/{person_id:int}/rules")
def change_rules(person_id: RowId, request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Change what a person is told, and when."""
    people = shop.telling.people
    try:
        rules = _rules(fields) | {"ways": people.rules(person_id)["ways"]}
        people.change(person_id, telling=rules)
    except StoreError as error:
        return _refused(request, shop, person_id, "rules", fields, error)
    return _done(person_id, "person-set")


@router.post("/settings/people/{person_id:int}/channels")
def add_channel(person_id: RowId, request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Add a way to reach a person."""
    kind = fields.get("kind", "")
    config = {n: fields[n] for n, *_ in people_words.FORMS.get(kind, ()) if n in fields}
    usual = people_words.CHANNEL_KINDS.get(kind, kind)
    name = fields.get("name", "") or renderer_of(request).words.tongue.said(usual)
    try:
        shop.telling.people.add_channel(person_id, kind, name, checked(shop, kind, config))
    except StoreError as error:
        return _refused(request, shop, person_id, kind, fields, error)
    return _done(person_id, "channel-added")


@router.post("/settings/people/{person_id:int}/channels/{channel_id:int}")
def change_channel(
    person_id: RowId, channel_id: RowId, request: Request, shop: ShopDep, fields: FormDep
) -> Response:
    """Change a channel's turn, and what goes by it."""
    people = shop.telling.people
    try:
        people.change_channel(person_id, channel_id, name=fields.get("name") or None)
        rules = people.rules(person_id)
        ticked = [kind for kind in NOTICE_KINDS if f"kind-{kind}" in fields]
        rules["ways"][str(channel_id)] = {
            "turn": fields.get("turn", "first"),
            "kinds": None if len(ticked) in {0, len(NOTICE_KINDS)} else ticked,
        }
        people.change(person_id, telling=rules)
    except StoreError as error:
        return _refused(request, shop, person_id, f"channel-{channel_id}", fields, error)
    return _done(person_id, "person-set")


@router.post("/settings/people/{person_id:int}/channels/{channel_id:int}/test")
def send_test(person_id: RowId, channel_id: RowId, shop: ShopDep) -> Response:
    """Send a test by a channel; what went wrong is shown with the channel."""
    shop.telling.people.channel(person_id, channel_id)
    error = shop.telling.post.try_out(person_id, channel_id)
    return _done(person_id, "test-sent" if error is None else "test-failed")


@router.post("/settings/people/{person_id:int}/channels/{channel_id:int}/remove")
def remove_channel(person_id: RowId, channel_id: RowId, shop: ShopDep) -> Response:
    """Take a channel away."""
    shop.telling.people.retire_channel(person_id, channel_id)
    return _done(person_id, "channel-gone")


@router.post("/settings/people/{person_id:int}/remove")
def remove_person(person_id: RowId, shop: ShopDep) -> Response:
    """Take a person away."""
    shop.telling.people.retire(person_id)
    shop.doors.changed()
    return RedirectResponse("/settings/people?said=person-gone", 303)


def _list(request: Request, shop: Shop, status: int = 200, **more: Any) -> Response:
    people = shop.telling.people
    rows = [(row, people.channels(int(row.id or 0))) for row in people.people()]
    return renderer_of(request).page(
        request, "people.html", status, people=rows, said_of=people_words, **more
    )


def _page(
    request: Request,
    shop: Shop,
    person_id: int,
    status: int = 200,
    *,
    form: str = "",
    values: Fields | None = None,
    errors: dict[str, str] | None = None,
) -> Response:
    telling = shop.telling
    rules = telling.people.rules(person_id)
    told = {kind: _how_told(kind, rules) for kind in NOTICE_KINDS}
    channels = telling.people.channels(person_id)
    others = [row for row in telling.people.people() if row.id != person_id]
    renderer = renderer_of(request)
    return renderer.page(
        request,
        "person.html",
        status,
        person=telling.people.person(person_id),
        channels=channels,
        ways={row.id: row.name for row in channels},
        rules=rules,
        told=told,
        in_short=_in_short(renderer.words, told, asks=rules["escalate_min"] is not None),
        others=[("", renderer.words.say("Nobody")), *((row.id, row.name) for row in others)],
        deliveries=telling.outbox.deliveries(person_id, LATEST),
        kinds=telling.post.kinds,
        secret=f"whsec_{base64.b64encode(secrets.token_bytes(32)).decode()}",
        said_of=people_words,
        form=form,
        values=values or {},
        errors=errors or {},
    )


def _refused(
    request: Request, shop: Shop, person_id: int, form: str, fields: Fields, error: StoreError
) -> Response:
    return _page(request, shop, person_id, 422, form=form, values=fields, errors=blame(error))


def _done(person_id: int, said: str) -> Response:
    return RedirectResponse(f"/settings/people/{person_id}?said={said}", 303)


def _how_told(kind: str, rules: dict[str, Any]) -> str:
    if rules["kinds"] is not None and kind not in rules["kinds"]:
        return "off"
    how = "night" if kind in rules["breaks_quiet"] else "on"
    return f"{how}-ask" if kind in rules["escalate_kinds"] else how


def _in_short(words: Words, told: dict[str, str], *, asks: bool) -> str:
    """Say in a sentence how each kind is told: the few by name, the many by number."""
    said = []
    for how, text in people_words.HOW_TOLD.items():
        kinds = [words.tongue.said(NOTICE_KINDS[kind]) for kind in told if told[kind] == how]
        if not kinds:
            continue
        listed = words.say("{count} kinds", count=len(kinds))
        if len(kinds) == len(told):
            listed = words.say("all kinds")
        elif len(kinds) <= NAMED:
            listed = ", ".join(kinds)
        said.append(words.say("{how}: {kinds}.", how=words.tongue.said(text), kinds=listed))
    if not asks and any(how.endswith("-ask") for how in told.values()):
        said.append(words.say("Nobody is asked on: no time is set for it."))
    return " ".join(said)


def _rules(fields: Fields) -> dict[str, Any]:
    how = {kind: fields.get(f"told-{kind}", "on") for kind in NOTICE_KINDS}
    if wrong := [kind for kind, said in how.items() if said not in people_words.HOW_TOLD]:
        raise BadInput(f"told-{wrong[0]}", say("is none of the choices"))
    wanted = [kind for kind, said in how.items() if said != "off"]
    rules: dict[str, Any] = {
        # Who wants all that there is wants what a later version adds, too.
        "kinds": None if len(wanted) == len(NOTICE_KINDS) else wanted,
        "breaks_quiet": [kind for kind, said in how.items() if said.startswith("night")],
        "escalate_kinds": [kind for kind, said in how.items() if said.endswith("-ask")],
        "quiet_from": fields.get("quiet_from"),
        "quiet_until": fields.get("quiet_until"),
    }
    for name in ("group_min", "escalate_min", "then_person"):
        if name in fields:
            try:
                figure = with_point(fields[name])
                rules[name] = int(figure) if name == "then_person" else float(figure)
            except ValueError as error:
                raise BadInput(name, say("is no number")) from error
    return rules
