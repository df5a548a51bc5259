"""The first start, step by step: the shop, a place, a sensor, a material, and the spray check."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any
from urllib.parse import urlencode
from zoneinfo import available_timezones

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from service.settings import parse_mqtt_url
from service.shop.said import say
from service.store.errors import StoreError
from service.web import inputs
from service.web import kind_answers as heard_answers
from service.web.deps import ListenError, Shop, ShopDep
from service.web.first_start import STEPS, mark, progress
from service.web.pages import mapping_form
from service.web.pages.forms import FormDep, FormError, blame, read
from service.web.pages.render import Renderer, renderer_of
from service.web.pages.settings import take_settings

__all__ = ["router", "show_empty"]

router = APIRouter()

LISTEN_S = 60
LATELY = timedelta(minutes=15)
"""Wrong payloads younger than this may be those of the sensor that is being set up."""


@dataclass(frozen=True)
class Broker:
    """What is typed into a sensor. The password is known only of the broker that runs along."""

    host: str
    port: int
    user: str | None
    password: str | None
    here_only: bool
    password_file: Path | None
    by_keys: bool = False
    """Whether each sensor needs a password of its own."""


def show_empty(request: Request, shop: Shop) -> Response:
    """Show a shop without readings and pieces: what it needs, and the way to it."""
    return renderer_of(request).page(
        request, "first_start.html", progress=progress(shop), steps=STEPS
    )


@router.get("/start")
def begin(shop: ShopDep) -> Response:
    """Go to the first step that is not done."""
    return RedirectResponse(f"/start/{progress(shop).open or STEPS[0]}", 303)


@router.get("/start/shop")
def ask_shop(request: Request, shop: ShopDep) -> Response:
    """Ask where the shop is, and for its units."""
    return _shop(renderer_of(request), request, shop)


@router.post("/start/shop")
def set_shop(request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Take zone, units and height."""
    renderer = renderer_of(request)
    if wrong := take_settings(shop, fields, renderer.words):
        return _shop(renderer, request, shop, 422, errors=wrong, values=fields)
    return _on(shop, "shop")


@router.get("/start/place")
def ask_place(request: Request, shop: ShopDep) -> Response:
    """Ask for a place, or show those there are."""
    return _step(renderer_of(request), request, shop, "place")


@router.post("/start/place")
def add_place(request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Make the first place; its word in topics follows from its name."""
    renderer = renderer_of(request)
    words = renderer.words
    try:
        typed = dict(fields)
        if "volume" in typed:
            typed["volume_m3"] = str(words.volume_m3(_number("volume", typed["volume"])))
        name = typed.setdefault("name", words.say("Spray booth"))
        typed["id"] = inputs.word_of(name) or "booth"
        form = read(inputs.PlaceIn, typed, words)
        shop.work.add_place(form.word, form.name, form.kind, form.volume_m3, form.air_changes_h)
    except (FormError, StoreError) as error:
        wrong = {_NAMES.get(name, name): why for name, why in blame(error).items()}
        return _step(renderer, request, shop, "place", 422, errors=wrong, values=fields)
    shop.hub.publish("work", {})
    return _on(shop, "place")


@router.get("/start/sensor")
def ask_sensor(request: Request, shop: ShopDep) -> Response:
    """Say what to type into the sensor, and watch for its first reading."""
    heard = heard_answers.listening_out(shop)
    samples = {topic.topic: topic.samples[-1] for topic in heard.topics if topic.samples}
    since = shop.clock.now() - LATELY
    wrong = [row for row in shop.desk.rejects(3) if row.received_at > since]
    return _step(
        renderer_of(request),
        request,
        shop,
        "sensor",
        broker=_broker(request, shop),
        heard=heard,
        forms=[
            mapping_form.form_of(str(index), proposal, samples)
            for index, proposal in enumerate(heard.proposals)
        ],
        rejects=wrong,
        quantities=mapping_form.QUANTITIES,
        units=mapping_form.UNIT_CHOICES,
        time_forms=mapping_form.TIME_FORMS,
    )


@router.post("/start/sensor")
def listen(shop: ShopDep) -> Response:
    """Listen to everything the broker carries, for a sensor that publishes in its own way."""
    with suppress(ListenError):  # a second tap: the round under way is shown
        shop.listener.start(LISTEN_S, shop.kinds.reads())
    return RedirectResponse("/start/sensor#heard", 303)


@router.get("/start/material")
def ask_material(request: Request, shop: ShopDep) -> Response:
    """Ask what is sprayed next."""
    return _material(renderer_of(request), request, shop)


@router.post("/start/material")
def choose_material(request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Ask the first spray check: of the place that was heard, for the material."""
    chosen = fields.get("material", "")
    if chosen not in {m.id for m in shop.desk.catalogue.materials.values() if m.blend is not None}:
        errors = {"material": say("is none of those offered")}
        return _material(renderer_of(request), request, shop, 422, errors=errors)
    mark(shop, "material")
    place = progress(shop).place
    asked = {"material": chosen} | ({} if place is None else {"place": place.id})
    return RedirectResponse(f"/?{urlencode(asked)}", 303)


_NAMES = {"id": "name", "word": "name", "place": "name", "volume_m3": "volume"}
"""Fields of a place by what the form calls them."""


def _on(shop: Shop, step: str) -> Response:
    mark(shop, step)
    return RedirectResponse(f"/start/{STEPS[STEPS.index(step) + 1]}", 303)


def _number(name: str, typed: str) -> float:
    try:
        return float(typed.replace(",", "."))
    except ValueError as error:
        raise FormError([(name, say("is no number"))]) from error


def _broker(request: Request, shop: Shop) -> Broker:
    said, settings = shop.health(), shop.settings
    address = parse_mqtt_url(
        str(said.get("broker") or settings.mqtt_url or "mqtt://127.0.0.1:1883")
    )
    if not said.get("broker_embedded", settings.mqtt_url is None):
        return Broker(address.host, address.port, None, None, here_only=False, password_file=None)
    if settings.lan and settings.sensors_open is not True:
        # A sensor finds the broker where this phone found the page.
        told = parse_mqtt_url(shop.sensor_door.url(request.url.hostname))
        return Broker(
            told.host, told.port, None, None, here_only=False, password_file=None, by_keys=True
        )
    host = request.url.hostname if settings.lan and request.url.hostname else address.host
    file = settings.data / "broker" / "sensor.password"
    password = file.read_text(encoding="utf-8").strip() if file.is_file() else None
    return Broker(host, address.port, "sensor", password, not settings.lan, file)


def _step(
    renderer: Renderer, request: Request, shop: Shop, step: str, status: int = 200, **more: Any
) -> Response:
    return renderer.page(
        request,
        f"start_{step}.html",
        status,
        step=step,
        steps=STEPS,
        progress=progress(shop),
        **more,
    )


def _shop(
    renderer: Renderer, request: Request, shop: Shop, status: int = 200, **more: Any
) -> Response:
    context = {
        "kept": shop.book.now,
        "sources": shop.book.sources(),
        "machine_zone": str(shop.book.now.tz),
        "zones": sorted(available_timezones()),
    }
    return _step(renderer, request, shop, "shop", status, **context, **more)


def _material(
    renderer: Renderer, request: Request, shop: Shop, status: int = 200, **more: Any
) -> Response:
    sprayed = [m for m in shop.desk.catalogue.materials.values() if m.blend is not None]
    return _step(renderer, request, shop, "material", status, sprayed=sprayed, **more)
