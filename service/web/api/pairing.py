"""A device fetches its key by a code that a person read off the page: that is proof enough."""

from __future__ import annotations

import math
from typing import Annotated

from fastapi import APIRouter, Request, Response
from pydantic import Field
from starlette.exceptions import HTTPException

from service.settings import parse_mqtt_url
from service.web.deps import ShopDep
from service.web.inputs import _In
from service.web.models import _Out
from service.web.problems import problem

__all__ = ["AUTHORITY", "PATH", "PairingIn", "PairingOut", "router"]

router = APIRouter(tags=["sensors"])

PATH, AUTHORITY = "/api/v1/pairing", "/api/v1/pairing/authority"


class PairingIn(_In):
    """The code, with or without its hyphen."""

    code: Annotated[str, Field(min_length=1, max_length=20)]


class PairingOut(_Out):
    """All that a device needs. The password is given this once."""

    user: str
    password: str
    place: str | None
    sensor: str
    topic: str | None
    """Topic to publish to: the first of ``topics``."""
    topics: list[str]
    url: str
    """``mqtt(s)://host:port`` of the broker."""
    host: str
    port: int
    tls: bool
    authority: str | None
    """Certificate (PEM) of the authority that broker and pages are known by."""


@router.post("/pairing")
def pair(body: PairingIn, request: Request, shop: ShopDep) -> PairingOut:
    """Give a device its key for a code, once; 403 for a code that is not good, 429 to wait."""
    door = shop.sensor_door
    address = request.client.host if request.client else "?"
    if wait := door.attempts.begin(address):
        raise HTTPException(
            429,
            "code: too many wrong ones; wait",
            headers={"Retry-After": str(math.ceil(wait.total_seconds()))},
        )
    made = door.keys.redeem(body.code)
    if made is None:
        raise HTTPException(403, "code: is not good, has run out, or was used")
    door.attempts.right(address)
    door.changed()
    url = door.url(request.url.hostname)
    broker = parse_mqtt_url(url)
    return PairingOut(
        user=made.user,
        password=made.secret,
        place=made.place,
        sensor=made.sensor,
        topic=made.topics[0] if made.topics else None,
        topics=list(made.topics),
        url=url,
        host=broker.host,
        port=broker.port,
        tls=broker.tls,
        authority=door.authority(shop.settings),
    )


@router.get("/pairing/authority", response_class=Response)
def get_authority(shop: ShopDep) -> Response:
    """Give the certificate (PEM) of the shop's authority; compare its digest before trusting it."""
    found = shop.sensor_door.authority(shop.settings)
    if found is None:
        return problem(404, "there is no authority: TLS is not in use here")
    return Response(found, media_type="application/x-pem-file")
