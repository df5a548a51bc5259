"""People who are told things, their channels, and the messages to them."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Query, Response

from service.store.errors import BadInput
from service.web.deps import Shop, ShopDep
from service.web.people_models import (
    ChannelChangeIn,
    ChannelIn,
    ChannelOut,
    DeliveryOut,
    PersonChangeIn,
    PersonIn,
    PersonOut,
    TellingIn,
    TriedOut,
    channel_out,
    delivery_out,
    person_out,
)
from service.web.people_words import CHANNEL_KINDS
from service.web.scalars import RowId

__all__ = ["answered", "checked", "router"]

router = APIRouter(tags=["people"])


@router.get("/people")
def list_people(shop: ShopDep) -> list[PersonOut]:
    """List everybody who is told things."""
    return [_person(shop, int(row.id or 0)) for row in shop.telling.people.people()]


@router.post("/people", status_code=201)
def add_person(body: PersonIn, shop: ShopDep, response: Response) -> PersonOut:
    """Add a person; one of that name who was taken away comes back."""
    row = shop.telling.people.add(body.name, body.prefs, _rules(body.telling))
    response.headers["Location"] = f"/api/v1/people/{row.id}"
    return _person(shop, int(row.id or 0))


@router.get("/people/{person_id:int}")
def get_person(person_id: RowId, shop: ShopDep) -> PersonOut:
    """Give one person with all rules."""
    return _person(shop, person_id)


@router.patch("/people/{person_id:int}")
def change_person(person_id: RowId, body: PersonChangeIn, shop: ShopDep) -> PersonOut:
    """Change what is given; preferences and rules are taken as a whole."""
    shop.telling.people.change(
        person_id, name=body.name, prefs=body.prefs, telling=_rules(body.telling)
    )
    return _person(shop, person_id)


@router.delete("/people/{person_id:int}", status_code=204, response_class=Response)
def remove_person(person_id: RowId, shop: ShopDep) -> Response:
    """Take a person away: nothing more is told."""
    shop.telling.people.retire(person_id)
    shop.doors.changed()
    return Response(status_code=204)


@router.get("/people/{person_id:int}/channels")
def list_channels(person_id: RowId, shop: ShopDep) -> list[ChannelOut]:
    """List a person's channels, and whether they work."""
    return [channel_out(row) for row in shop.telling.people.channels(person_id)]


@router.post("/people/{person_id:int}/channels", status_code=201)
def add_channel(person_id: RowId, body: ChannelIn, shop: ShopDep, response: Response) -> ChannelOut:
    """Add a channel; the same one again is the one that is there."""
    row = shop.telling.people.add_channel(
        person_id,
        body.kind,
        body.name or CHANNEL_KINDS.get(body.kind, body.kind),
        checked(shop, body.kind, body.config),
    )
    response.headers["Location"] = f"/api/v1/people/{person_id}/channels/{row.id}"
    return channel_out(row)


@router.patch("/people/{person_id:int}/channels/{channel_id:int}")
def change_channel(
    person_id: RowId, channel_id: RowId, body: ChannelChangeIn, shop: ShopDep
) -> ChannelOut:
    """Change a channel's name or address."""
    kind = shop.telling.people.channel(person_id, channel_id).kind
    config = None if body.config is None else checked(shop, kind, body.config)
    row = shop.telling.people.change_channel(person_id, channel_id, name=body.name, config=config)
    return channel_out(row)


@router.delete(
    "/people/{person_id:int}/channels/{channel_id:int}", status_code=204, response_class=Response
)
def remove_channel(person_id: RowId, channel_id: RowId, shop: ShopDep) -> Response:
    """Take a channel away; its address and secrets are forgotten."""
    shop.telling.people.retire_channel(person_id, channel_id)
    return Response(status_code=204)


@router.post("/people/{person_id:int}/channels/{channel_id:int}/test")
def send_test(person_id: RowId, channel_id: RowId, shop: ShopDep) -> TriedOut:
    """Send a test by a channel now."""
    shop.telling.people.channel(person_id, channel_id)
    error = shop.telling.post.try_out(person_id, channel_id)
    return TriedOut(sent=error is None, error=error)


@router.get("/people/{person_id:int}/deliveries")
def list_deliveries(
    person_id: RowId, shop: ShopDep, limit: Annotated[int, Query(ge=1, le=1000)] = 50
) -> list[DeliveryOut]:
    """List what was sent to a person, or is to be; newest first."""
    shop.telling.people.person(person_id)
    return [delivery_out(row) for row in shop.telling.outbox.deliveries(person_id, limit)]


@router.post("/deliveries/{delivery_id:int}/acknowledge")
def acknowledge(delivery_id: RowId, shop: ShopDep) -> DeliveryOut:
    """Say that somebody has reacted, so that nobody else is asked; again changes nothing."""
    row = shop.telling.outbox.acknowledge(delivery_id)
    answered(shop, row.notices)
    return delivery_out(row)


def answered(shop: Shop, notices: list[int]) -> None:
    """Tell open pages that notices were seen."""
    for notice in notices:
        shop.hub.publish("notice", {"seen": notice})


def checked(shop: Shop, kind: str, config: dict[str, Any]) -> dict[str, Any]:
    """Let a kind's sender check a configuration; its complaint names the field."""
    try:
        return shop.telling.post.check(kind, config)
    except ValueError as error:
        name, _, reason = str(error).partition(": ")
        raise BadInput(name if reason else "config", reason or name) from error


def _person(shop: Shop, person_id: int) -> PersonOut:
    people = shop.telling.people
    return person_out(people.person(person_id), people.rules(person_id))


def _rules(body: TellingIn | None) -> dict[str, Any] | None:
    return None if body is None else body.model_dump(exclude_none=True)
