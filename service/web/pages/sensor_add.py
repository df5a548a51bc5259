"""The page that lets a sensor in: by a code that fetches a password, or a password to type in."""

from __future__ import annotations

import json
from typing import Any
from urllib.parse import urlsplit

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from service.settings import parse_mqtt_url
from service.store.errors import StoreError
from service.store.sensor_keys import CODE_LIVES, Wanted
from service.web.api.pairing import AUTHORITY, PATH
from service.web.deps import Shop, ShopDep
from service.web.pages.forms import Fields, FormDep, blame
from service.web.pages.job_card import page_base
from service.web.pages.render import renderer_of

__all__ = ["router"]

router = APIRouter()

REFUSALS_SHOWN = 10


@router.get("/sensors/add")
def show(request: Request, shop: ShopDep) -> Response:
    """Ask which sensor it is to be, and show the keys there are."""
    return _page(request, shop)


@router.post("/sensors/add")
def add(request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Make a code, or a key to be typed in; either is shown this once."""
    topics = tuple(fields.get("topics", "").split())
    wanted = Wanted(fields.get("place", ""), fields.get("sensor", ""), topics)
    keys = shop.sensor_door.keys
    try:
        if fields.get("do") == "show":
            made = keys.make(wanted)
            shop.sensor_door.changed()
            url = shop.sensor_door.url(request.url.hostname)
            return _page(request, shop, key=made, broker=parse_mqtt_url(url))
        code, until = keys.open_code(wanted)
    except StoreError as error:
        return _page(request, shop, 422, values=fields, errors=blame(error))
    commands = _commands(page_base(request, shop.settings), code, shop)
    return _page(
        request,
        shop,
        code=f"{code[:4]}-{code[4:]}",
        until=until,
        minutes=round(CODE_LIVES.total_seconds() / 60),
        wanted=wanted,
        commands=commands,
    )


@router.post("/sensors/add/end")
def end(shop: ShopDep, fields: FormDep) -> Response:
    """Let a sensor in no more."""
    shop.sensor_door.keys.end(fields.get("user", ""))
    shop.sensor_door.changed()
    return RedirectResponse("/sensors/add?said=key-ended", 303)


def _page(
    request: Request, shop: Shop, status: int = 200, *, values: Fields | None = None, **more: Any
) -> Response:
    door = shop.sensor_door
    asked = {"place": request.query_params.get("place", "")[:64]}
    return renderer_of(request).page(
        request,
        "sensor_add.html",
        status,
        keys=door.keys.live(),
        refusals=list(door.refusals())[:REFUSALS_SHOWN],
        places=shop.desk.places(),
        values=values or asked,
        real_now=shop.doors.clock.now(),
        here_only=not shop.settings.lan and shop.settings.mqtt_url is None,
        **({"code": None, "key": None, "errors": {}} | more),
    )


def _commands(base: str, code: str, shop: Shop) -> dict[str, str]:
    """Return what is typed on the device: for our node, and for anything that has curl."""
    node = f"sudo /opt/boothglass-node/bin/boothglass-node pair {base} {code}"
    body = json.dumps({"code": code}, separators=(",", ":"))
    curl = f"-H 'Content-Type: application/json' -d '{body}' {base}{PATH}"
    digest = shop.sensor_door.fingerprint(shop.settings)
    if urlsplit(base).scheme != "https" or digest is None or shop.settings.public_url is not None:
        return {"node": node, "curl": f"curl {curl}"}
    check = f"echo '{_pem_check(digest)}'"
    return {
        "node": f"{node} {digest}",
        "curl": f"curl -sk -o ca.crt {base}{AUTHORITY}\n"
        f"openssl x509 -in ca.crt -noout -fingerprint -sha256; {check}\n"
        f"curl --cacert ca.crt {curl}",
    }


def _pem_check(digest: str) -> str:
    """Return a digest as openssl prints it, to be compared with."""
    return ":".join(digest[place : place + 2] for place in range(0, len(digest), 2))
