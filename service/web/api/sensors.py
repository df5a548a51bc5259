"""Sensors: what they say and how far it is to be trusted, their corrections and salt checks."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Body, Query, Response

from service.store.sensor_book import KEEP
from service.web import inputs, models
from service.web import sensor_answers as answers
from service.web.deps import Shop, ShopDep
from service.web.scalars import InstantIn, RowId

__all__ = ["router"]

router = APIRouter(tags=["sensors"])

CorrectionIn = Annotated[
    inputs.InstrumentReadingIn | inputs.SlopeOffsetIn, Body(discriminator="method")
]


@router.get("/sensors")
def list_sensors(shop: ShopDep) -> list[models.SensorOut]:
    """List every sensor as it stands: last values, flags, corrections, when a check is due."""
    return [answers.sensor_out(sensor) for sensor in shop.desk.sensor_details()]


@router.get("/sensors/{sensor_id:int}")
def get_sensor(sensor_id: RowId, shop: ShopDep) -> models.SensorOut:
    """Give one sensor as it stands."""
    return answers.sensor_out(shop.desk.sensor_detail(sensor_id))


@router.patch("/sensors/{sensor_id:int}")
def change_sensor(sensor_id: RowId, body: inputs.SensorIn, shop: ShopDep) -> models.SensorOut:
    """Change what is given: uncertainty, how often to check, out of use or back."""
    every = body.check_every_days if "check_every_days" in body.model_fields_set else KEEP
    shop.sensors.change(
        sensor_id,
        air_sd_k=body.air_sd_k,
        rh_sd_pct=body.rh_sd_pct,
        check_every_days=every,
        retired=body.retired,
    )
    return _told(shop, sensor_id)


@router.get("/sensors/{sensor_id:int}/around")
def get_around(
    sensor_id: RowId,
    shop: ShopDep,
    quantity: inputs.Quantity,
    at: Annotated[InstantIn | None, Query()] = None,
) -> models.AroundOut:
    """Give a sensor's own mean within 15 minutes of an instant (default: now)."""
    return answers.around_out(shop.sensors.around(sensor_id, quantity, at))


@router.get("/sensors/{sensor_id:int}/corrections")
def list_corrections(sensor_id: RowId, shop: ShopDep) -> list[models.CorrectionOut]:
    """List every correction of a sensor, newest first; undone ones stay on record."""
    return [answers.correction_out(held) for held in shop.desk.corrections(sensor_id)]


@router.post("/sensors/{sensor_id:int}/corrections", status_code=201)
def add_correction(
    sensor_id: RowId, body: CorrectionIn, shop: ShopDep, response: Response
) -> models.CorrectionOut:
    """Correct a sensor, by a trusted instrument beside it or as typed in.

    What was sent is never changed: air, history and clocks show it corrected from ``from_at`` on.
    """
    if isinstance(body, inputs.InstrumentReadingIn):
        row = shop.sensors.correct_by_instrument(
            sensor_id,
            quantity=body.quantity,
            value=body.value,
            sd=body.sd,
            at=body.at,
            from_at=body.from_at,
            who=body.who,
        )
    else:
        row = shop.sensors.correct(
            sensor_id,
            quantity=body.quantity,
            slope=body.slope,
            offset=body.offset,
            sd=body.sd,
            from_at=body.from_at,
            who=body.who,
        )
    response.headers["Location"] = f"/api/v1/sensors/{sensor_id}/corrections"
    return _correction(shop, sensor_id, int(row.id or 0))


@router.delete(
    "/sensors/{sensor_id:int}/corrections/{correction_id:int}",
    status_code=204,
    response_class=Response,
)
def undo_correction(sensor_id: RowId, correction_id: RowId, shop: ShopDep) -> Response:
    """Take a correction back: it stays on record, and every figure is as it was before it."""
    shop.sensors.undo_correction(sensor_id, correction_id)
    _told(shop, sensor_id)
    return Response(status_code=204)


@router.get("/sensors/{sensor_id:int}/salt-check")
def get_salt_check(sensor_id: RowId, shop: ShopDep) -> models.SaltCheckOut:
    """Give the newest two-jar check of a sensor, under way or ended."""
    return answers.salt_check_out(shop.salt_checks.latest(sensor_id))


@router.post("/sensors/{sensor_id:int}/salt-check", status_code=201)
def begin_salt_check(
    sensor_id: RowId, body: inputs.SaltCheckIn, shop: ShopDep
) -> models.SaltCheckOut:
    """Begin a two-jar check: the sensor is in the first jar now, and no longer in its place."""
    check = shop.salt_checks.begin(sensor_id, body.first, body.second)
    _told(shop, sensor_id)
    return answers.salt_check_out(check)


@router.post("/sensors/{sensor_id:int}/salt-check/take")
def take_jar(sensor_id: RowId, body: inputs.TakeIn, shop: ShopDep) -> models.SaltCheckOut:
    """Take the reading of the jar the sensor is in, once settled (or ``anyway``)."""
    return answers.salt_check_out(shop.salt_checks.take(sensor_id, anyway=body.anyway))


@router.post("/sensors/{sensor_id:int}/salt-check/jar")
def into_jar(sensor_id: RowId, body: inputs.JarIn, shop: ShopDep) -> models.SaltCheckOut:
    """Say that the sensor is in the second jar now, or again in one that was taken."""
    view = shop.salt_checks.open_check(sensor_id)
    if body.jar == 2 and view is not None and view.jars[1].taken is None:
        return answers.salt_check_out(shop.salt_checks.next_jar(sensor_id))
    return answers.salt_check_out(shop.salt_checks.repeat(sensor_id, body.jar - 1))


@router.post("/sensors/{sensor_id:int}/salt-check/adopt", status_code=201)
def adopt_salt_check(sensor_id: RowId, body: inputs.AdoptIn, shop: ShopDep) -> models.CorrectionOut:
    """Make the result of the two jars the sensor's correction."""
    row = shop.salt_checks.adopt(sensor_id, from_at=body.from_at, who=body.who)
    return _correction(shop, sensor_id, int(row.id or 0))


@router.delete("/sensors/{sensor_id:int}/salt-check", status_code=204, response_class=Response)
def give_up_salt_check(sensor_id: RowId, shop: ShopDep, *, never_away: bool = False) -> Response:
    """Give a check up; with ``never_away`` what the sensor said meanwhile counts after all."""
    shop.salt_checks.give_up(sensor_id, never_away=never_away)
    _told(shop, sensor_id)
    return Response(status_code=204)


def _correction(shop: Shop, sensor_id: int, correction_id: int) -> models.CorrectionOut:
    _told(shop, sensor_id)
    kept = next(c for c in shop.desk.corrections(sensor_id) if c.id == correction_id)
    return answers.correction_out(kept)


def _told(shop: Shop, sensor_id: int) -> models.SensorOut:
    """Tell open pages that a sensor counts differently now."""
    sensor = answers.sensor_out(shop.desk.sensor_detail(sensor_id))
    shop.hub.publish("air", {"place": sensor.place})
    return sensor
