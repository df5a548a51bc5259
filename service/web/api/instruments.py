"""Instruments: what to do now, coats, steps, where they hang, and undo."""

from __future__ import annotations

from fastapi import APIRouter, Response

from service.shop.said import say
from service.store.errors import NotFound
from service.web import answers, inputs, models
from service.web.deps import Shop, ShopDep
from service.web.scalars import RowId

__all__ = ["router"]

router = APIRouter(tags=["instruments"])


@router.get("/instruments")
def list_instruments(shop: ShopDep) -> list[models.InstrumentOut]:
    """List every instrument under way, who is ready first."""
    return [answers.instrument_out(card) for card in shop.desk.cards()]


@router.post("/instruments", status_code=201)
def add_instrument(
    body: inputs.InstrumentIn, shop: ShopDep, response: Response
) -> models.InstrumentOut:
    """Take a piece of work in."""
    made = shop.work.add_instrument(
        shop_number=body.shop_number,
        kind=body.kind,
        woods=body.woods,
        plate_mm=body.plate_mm,
        schedule_id=body.schedule,
        place_id=body.place,
        at=body.at,
        parts=body.parts,
    )
    new_id = int(made.id or 0)
    shop.worked(new_id)
    response.headers["Location"] = f"/api/v1/instruments/{new_id}"
    return answers.instrument_out(shop.desk.card(new_id))


@router.get("/instruments/{instrument_id}")
def get_instrument(instrument_id: RowId, shop: ShopDep) -> models.InstrumentOut:
    """Give one instrument: where it stands and what to do now."""
    return answers.instrument_out(shop.desk.card(instrument_id))


@router.post("/instruments/{instrument_id}/hang", status_code=201)
def hang(instrument_id: RowId, body: inputs.HangIn, shop: ShopDep) -> models.HangOut:
    """Move an instrument to a place: its clocks run on that place's air from then on.

    An ``at`` up to 30 days ahead plans the move: ready times reckon with it from now on.
    """
    row = shop.work.hang(instrument_id, body.place, body.at)
    shop.worked(instrument_id)
    return answers.hang_out(row)


@router.delete("/hangings/{hanging_id}", status_code=204, response_class=Response)
def undo_hanging(hanging_id: RowId, shop: ShopDep) -> Response:
    """Take a move or a planned one back; it stays in the record, marked as undone."""
    shop.work.undo("hung", hanging_id)
    shop.hub.publish("work", {"hung": hanging_id})
    return Response(status_code=204)


@router.post("/hangings/{move_id}/moved")
def move_made(move_id: RowId, shop: ShopDep, body: inputs.MoveMadeIn) -> models.HangOut:
    """Say that a planned move was made: the instrument hangs there from then on (default: now).

    Notices of it count as seen. Saying it again changes nothing.
    """
    row = shop.work.moves.made(move_id, body.at)
    shop.moved(row.instrument_id)
    return answers.hang_out(row)


@router.delete("/hangings/{move_id}/moved", status_code=204, response_class=Response)
def move_not_made(move_id: RowId, shop: ShopDep) -> Response:
    """Take back that a planned move was made: it is planned as it was."""
    shop.work.moves.withdraw(move_id)
    shop.hub.publish("work", {"hung": move_id})
    return Response(status_code=204)


@router.get("/instruments/{instrument_id}/coats")
def list_coats(instrument_id: RowId, shop: ShopDep) -> list[models.CoatOut]:
    """List every coat recorded on an instrument, newest first; undone ones are marked."""
    return [
        answers.logged_coat(entry, instrument_id)
        for entry in shop.desk.log(instrument_id)
        if entry.kind == "coat"
    ]


@router.post("/instruments/{instrument_id}/coats", status_code=201)
def record_coat(
    instrument_id: RowId, body: inputs.CoatIn, shop: ShopDep, response: Response
) -> models.CoatOut:
    """Record a coat; an empty object records the open step's coat, now, at its usual film."""
    row = shop.work.record_coat(
        instrument_id,
        material_id=body.material,
        wet_um=body.wet_um,
        passes=body.passes,
        retarder_pct=body.retarder_pct,
        place_id=body.place,
        at=body.at,
        who=body.who,
        note=body.note,
        parts=body.parts,
        build=body.build,
        distance_cm=body.distance_cm,
        batch=body.batch,
    )
    shop.worked(instrument_id)
    response.headers["Location"] = f"/api/v1/instruments/{instrument_id}/coats"
    return answers.coat_out(row)


@router.delete("/coats/{coat_id}", status_code=204, response_class=Response)
def undo_coat(coat_id: RowId, shop: ShopDep) -> Response:
    """Take a coat back; it stays in the record, marked as undone."""
    shop.work.undo("coat", coat_id)
    shop.hub.publish("work", {"coat": coat_id})
    return Response(status_code=204)


@router.post("/instruments/{instrument_id}/steps", status_code=201)
def finish_step(instrument_id: RowId, body: inputs.StepIn, shop: ShopDep) -> models.StepDoneOut:
    """Record a step as done; an empty object takes the open one."""
    row = shop.work.finish_step(
        instrument_id,
        body.step,
        at=body.at,
        who=body.who,
        note=body.note,
        parts=body.parts,
        removed_um=body.removed_um,
    )
    shop.worked(instrument_id)
    return answers.step_done_out(row)


@router.post("/instruments/{instrument_id}/cold-arrival", status_code=201)
def came_in_cold(
    instrument_id: RowId, body: inputs.ColdArrivalIn, shop: ShopDep
) -> models.ColdArrivalOut:
    """Say that an instrument came in with cold wood: nothing sprays it before it has warmed up."""
    shop.work.arrivals.record(instrument_id, body.wood_c, at=body.at, wood_rh_pct=body.wood_rh_pct)
    shop.worked(instrument_id)
    return _arrival(instrument_id, shop)


@router.get("/instruments/{instrument_id}/cold-arrival")
def get_cold_arrival(instrument_id: RowId, shop: ShopDep) -> models.ColdArrivalOut:
    """Say how warm an instrument that came in cold is reckoned to be, and when it will do."""
    return _arrival(instrument_id, shop)


@router.delete(
    "/instruments/{instrument_id}/cold-arrival", status_code=204, response_class=Response
)
def undo_cold_arrival(instrument_id: RowId, shop: ShopDep) -> Response:
    """Take the newest arrival back; it stays in the record, marked as undone."""
    shop.work.arrivals.undo(instrument_id)
    shop.worked(instrument_id)
    return Response(status_code=204)


@router.post("/instruments/{instrument_id}/gone", status_code=204, response_class=Response)
def has_left(instrument_id: RowId, shop: ShopDep) -> Response:
    """Say that an instrument has left the shop: its record stays, nothing more is told of it."""
    shop.work.leaving.leave(instrument_id)
    shop.worked(instrument_id)
    return Response(status_code=204)


@router.delete("/instruments/{instrument_id}/gone", status_code=204, response_class=Response)
def is_back(instrument_id: RowId, shop: ShopDep) -> Response:
    """Say that an instrument is in the shop again."""
    shop.work.leaving.come_back(instrument_id)
    shop.worked(instrument_id)
    return Response(status_code=204)


def _arrival(instrument_id: int, shop: Shop) -> models.ColdArrivalOut:
    found = shop.desk.arrival(instrument_id)
    if found is None:
        raise NotFound("instrument", say("nothing says that this instrument came in cold"))
    return answers.cold_arrival_out(found)


@router.post("/instruments/{instrument_id}/undo")
def undo_last(instrument_id: RowId, shop: ShopDep) -> models.UndoneOut:
    """Take back the last thing recorded on an instrument, and say what it was."""
    said = shop.work.undo_last(instrument_id)
    shop.worked(instrument_id)
    return models.UndoneOut(undone=said)


@router.get("/instruments/{instrument_id}/ready")
def list_ready(instrument_id: RowId, shop: ShopDep) -> list[models.ReadyOut]:
    """List the marks of the last coat, soonest first: clock, ready time and its 80 % range."""
    return answers.marks_out(shop.desk.card(instrument_id))


@router.get("/instruments/{instrument_id}/film")
def list_film(instrument_id: RowId, shop: ShopDep) -> list[models.FilmOut]:
    """Say how much dry film lies on each part, and what the next levelling would leave of it."""
    return [
        models.FilmOut.model_validate({"part": part, **vars(film)})
        for part, film in shop.desk.film(instrument_id).items()
    ]
