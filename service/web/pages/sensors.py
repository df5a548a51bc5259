"""Pages of the sensors: all of them, one in depth, and what a person decides of it."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from starlette.responses import RedirectResponse, Response

from service.shop.said import say
from service.store.errors import StoreError
from service.store.sensor_book import KEEP, Around
from service.web import inputs
from service.web.deps import Shop, ShopDep
from service.web.pages.forms import Fields, FormDep, FormError, back_to, blame, read
from service.web.pages.render import renderer_of
from service.web.pages.sensor_chart import sensor_chart
from service.web.scalars import RowId
from service.web.words import Words

__all__ = ["router"]

router = APIRouter()

SPAN = timedelta(days=7)
CHART_STEP_S, TABLE_STEP_S = 1800, 7200


@router.get("/sensors")
def list_sensors(request: Request, shop: ShopDep) -> Response:
    """Show every sensor as it stands."""
    return renderer_of(request).page(request, "sensors.html", sensors=shop.desk.sensor_details())


@router.get("/sensors/{sensor_id:int}")
def get_sensor(
    sensor_id: RowId,
    request: Request,
    shop: ShopDep,
    quantity: Annotated[str, Query(pattern="^(rh_pct|air_c|surface_c)$")] = "rh_pct",
    at: Annotated[str, Query(max_length=32)] = "",
) -> Response:
    """Show one sensor in depth; with ``at`` what it said then, to compare it with."""
    asked = {"quantity": quantity, "at": at}
    return _page(request, shop, sensor_id, form="instrument" if at else "", values=asked)


@router.get("/sensors/{sensor_id:int}/table")
def get_table(sensor_id: RowId, request: Request, shop: ShopDep) -> Response:
    """Show the course of a sensor as a table."""
    now = shop.clock.now()
    points = shop.desk.sensor_course(sensor_id, now - SPAN, now, TABLE_STEP_S)
    return renderer_of(request).page(
        request,
        "sensor_table.html",
        sensor=shop.desk.sensor_detail(sensor_id),
        points=list(reversed(points)),
    )


@router.post("/sensors/{sensor_id:int}/instrument")
def by_instrument(sensor_id: RowId, request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Correct a sensor by a trusted instrument beside it."""
    words = renderer_of(request).words
    try:
        given = _in_si(fields | {"method": "trusted instrument"}, words)
        form = read(inputs.InstrumentReadingIn, given, words)
        shop.sensors.correct_by_instrument(
            sensor_id,
            quantity=form.quantity,
            value=form.value,
            sd=form.sd,
            at=form.at,
            from_at=form.from_at,
            who=form.who,
        )
    except (FormError, StoreError) as error:
        return _refused(request, shop, sensor_id, "instrument", fields, error)
    return _done(shop, sensor_id, fields, "corrected")


@router.post("/sensors/{sensor_id:int}/slope")
def by_slope(sensor_id: RowId, request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Correct a sensor by a slope and an offset that are known."""
    words = renderer_of(request).words
    try:
        given = _in_si(fields | {"method": "typed in"}, words)
        form = read(inputs.SlopeOffsetIn, given, words)
        shop.sensors.correct(
            sensor_id,
            quantity=form.quantity,
            slope=form.slope,
            offset=form.offset,
            sd=form.sd,
            from_at=form.from_at,
            who=form.who,
        )
    except (FormError, StoreError) as error:
        return _refused(request, shop, sensor_id, "slope", fields, error)
    return _done(shop, sensor_id, fields, "corrected")


@router.post("/sensors/{sensor_id:int}/corrections/{correction_id:int}/undo")
def undo(sensor_id: RowId, correction_id: RowId, shop: ShopDep, fields: FormDep) -> Response:
    """Take a correction back."""
    shop.sensors.undo_correction(sensor_id, correction_id)
    return _done(shop, sensor_id, fields, "uncorrected")


@router.post("/sensors/{sensor_id:int}/settings")
def settings(sensor_id: RowId, request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Set a sensor's uncertainty and how often it wants checking (empty: as the shop)."""
    words = renderer_of(request).words
    try:
        form = read(inputs.SensorIn, _settings_in_si(fields, words), words)
        shop.sensors.change(
            sensor_id,
            air_sd_k=form.air_sd_k,
            rh_sd_pct=form.rh_sd_pct,
            check_every_days=form.check_every_days,
        )
    except (FormError, StoreError) as error:
        return _refused(request, shop, sensor_id, "settings", fields, error)
    return _done(shop, sensor_id, fields, "sensor-set")


@router.post("/sensors/{sensor_id:int}/retire")
def retire(sensor_id: RowId, shop: ShopDep, fields: FormDep) -> Response:
    """Take a sensor out of use, or back in."""
    out = fields.get("retired") == "yes"
    shop.sensors.change(sensor_id, check_every_days=KEEP, retired=out)
    return _done(shop, sensor_id, fields, "retired" if out else "in-use")


def _page(
    request: Request,
    shop: Shop,
    sensor_id: int,
    status: int = 200,
    *,
    form: str = "",
    values: Fields | None = None,
    errors: dict[str, str] | None = None,
) -> Response:
    renderer = renderer_of(request)
    sensor = shop.desk.sensor_detail(sensor_id)
    now = shop.clock.now()
    values, errors = values or {}, errors or {}
    quantity = values.get("quantity", "rh_pct")
    own, complaint = _own(shop, sensor_id, quantity, values.get("at", ""), renderer.words)
    points = shop.desk.sensor_course(sensor_id, now - SPAN, now, CHART_STEP_S)
    return renderer.page(
        request,
        "sensor.html",
        status,
        sensor=sensor,
        chart=sensor_chart(points, now - SPAN, now, renderer.words),
        corrections=shop.desk.corrections(sensor_id),
        check=shop.salt_checks.open_check(sensor_id),
        own=own,
        own_complaint=complaint,
        quantity=quantity,
        form=form,
        values=values,
        errors=errors,
    )


def _own(
    shop: Shop, sensor_id: int, quantity: str, at: str, words: Words
) -> tuple[Around | None, str]:
    """What the sensor itself said about an instant, or why that cannot be told."""
    try:
        when: datetime | None = words.from_field(at) if at else None
        return shop.sensors.around(sensor_id, quantity, when), ""
    except ValueError:
        return None, say("that is no date and time")
    except StoreError as error:
        return None, error.reason


def _refused(
    request: Request,
    shop: Shop,
    sensor_id: int,
    form: str,
    fields: Fields,
    error: FormError | StoreError,
) -> Response:
    return _page(request, shop, sensor_id, 422, form=form, values=fields, errors=blame(error))


def _done(shop: Shop, sensor_id: int, fields: Fields, said: str) -> Response:
    shop.hub.publish("air", {"place": shop.desk.sensor_detail(sensor_id).place_id})
    return RedirectResponse(back_to(fields, f"/sensors/{sensor_id}", said=said), 303)


def _in_si(fields: Fields, words: Words) -> dict[str, Any]:
    """Turn what was typed in the shop's units into % RH, °C and K."""
    given: dict[str, Any] = dict(fields)
    quantity = fields.get("quantity", "")
    slope = _figure(fields, "slope", 1.0)
    if "slope" in fields:
        given["slope"] = slope
    if "offset" in fields:
        given["offset"] = words.offset_si(quantity, slope, _figure(fields, "offset", 0.0))
    elif slope != 1.0:
        # No shift in °F is one in °C, where the slope is not 1.
        given["offset"] = words.offset_si(quantity, slope, 0.0)
    if "value" in fields:
        given["value"] = words.value_si(quantity, _figure(fields, "value", 0.0))
    if "sd" in fields:
        given["sd"] = words.spread_si(quantity, _figure(fields, "sd", 0.0))
    return given


def _settings_in_si(fields: Fields, words: Words) -> dict[str, Any]:
    given: dict[str, Any] = {k: v for k, v in fields.items() if k == "check_every_days"}
    for name, quantity, typed in (
        ("air_sd_k", "air_c", "air_sd"),
        ("rh_sd_pct", "rh_pct", "rh_sd"),
    ):
        if typed in fields:
            given[name] = words.spread_si(quantity, _figure(fields, typed, 0.0, name))
    return given


def _figure(fields: Fields, name: str, default: float, said: str = "") -> float:
    try:
        return float(fields[name].replace(",", ".")) if name in fields else default
    except ValueError as error:
        raise FormError([(said or name, say("is no number"))]) from error
