"""Pages of the instruments: the list, a new one, and everything about one."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from service.shop.cards import InstrumentCard
from service.shop.learning import words_for
from service.shop.schedule import Step
from service.store.desk import LogEntry
from service.store.errors import StoreError
from service.web import inputs
from service.web.deps import Shop, ShopDep
from service.web.pages.forms import FormDep, FormError, blame, read
from service.web.pages.piece_strip import draw_piece, span_of, stays_of
from service.web.pages.render import renderer_of
from service.web.pages.view import checks_for
from service.web.scalars import RowId

__all__ = ["instrument_page", "router"]

router = APIRouter()


@router.get("/instruments")
def list_instruments(request: Request, shop: ShopDep) -> Response:
    """Show every instrument, who is ready first."""
    cards = shop.desk.cards()
    return renderer_of(request).page(
        request, "instruments.html", cards=cards, asked=checks_for(shop, cards)
    )


@router.get("/instruments/gone")
def list_gone(request: Request, shop: ShopDep) -> Response:
    """Show the instruments that have left the shop, the latest first."""
    return renderer_of(request).page(
        request, "instruments_gone.html", gone=shop.work.leaving.gone()
    )


@router.get("/instruments/new")
def new_instrument(request: Request, shop: ShopDep) -> Response:
    """Ask for a new instrument."""
    return _new_page(request, shop)


@router.post("/instruments/new")
def add_instrument(request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Take a new instrument in."""
    try:
        form = read(inputs.InstrumentIn, fields, renderer_of(request).words)
        made = shop.work.add_instrument(
            shop_number=form.shop_number,
            kind=form.kind,
            woods=form.woods,
            plate_mm=form.plate_mm,
            schedule_id=form.schedule,
            place_id=form.place,
            parts=form.parts,
        )
    except (FormError, StoreError) as error:
        return _new_page(request, shop, 422, errors=blame(error), values=fields)
    shop.worked(int(made.id or 0))
    return RedirectResponse(f"/instruments/{made.id}", 303)


@router.get("/instruments/{instrument_id}")
def get_instrument(instrument_id: RowId, request: Request, shop: ShopDep) -> Response:
    """Show one instrument."""
    return instrument_page(request, shop, instrument_id)


def instrument_page(
    request: Request, shop: Shop, instrument_id: int, status: int = 200, **context: Any
) -> Response:
    """Draw an instrument's page; ``errors`` and ``values`` refill the form that was refused."""
    card = shop.desk.card(instrument_id)
    log = shop.desk.log(instrument_id)
    schedule = shop.desk.schedule(instrument_id)
    places, now, renderer = shop.desk.places(), shop.clock.now(), renderer_of(request)
    span = span_of(card, log, now)
    stays = stays_of(shop, {p.id: p.name for p in places}, log, span[0], now)
    return renderer.page(
        request,
        "instrument.html",
        status,
        card=card,
        left_at=shop.work.leaving.left_at(instrument_id),
        check=checks_for(shop, [card]).get(card.id),
        steps=_steps(card, schedule.steps if schedule else (), log),
        log=log,
        coats=[entry for entry in log if entry.kind == "coat" and not entry.undone],
        films=shop.desk.film(instrument_id),
        touched=_touched(card, log),
        arrival=shop.desk.arrival(instrument_id),
        places=places,
        strip=draw_piece(card, log, stays, span, now, renderer.words) if log else "",
        flaw_kinds=[
            (kind.id, kind.name, kind.plain) for kind in shop.desk.catalogue.flaw_kinds.values()
        ],
        flaws=shop.desk.flaws(instrument_id),
        **({"form": "", "here": f"/instruments/{instrument_id}"} | context),
    )


def _touched(card: InstrumentCard, log: list[LogEntry]) -> dict[str, Any] | None:
    """Return the last coat and the words that a finger on it can say."""
    coat = next((e for e in log if e.kind == "coat" and e.id == card.last_coat_id), None)
    if coat is None or not card.marks:
        return None
    return {"coat": coat, "words": words_for([mark.mark for mark in card.marks])}


def _steps(
    card: InstrumentCard, steps: tuple[Step, ...], log: list[LogEntry]
) -> list[dict[str, Any]]:
    """List the schedule with the state of each step: done, open or to come."""
    rows = []
    for index, step in enumerate(steps):
        on = sum(1 for e in log if e.kind == "coat" and e.step_key == step.key and not e.undone)
        finished = any(e.kind == "step" and e.step_key == step.key and not e.undone for e in log)
        is_open = step.key == card.act.step_key
        passed = index < card.steps_done or finished
        state = "open" if is_open else "done" if passed else "to come"
        rows.append({"step": step, "coats_on": on, "state": state})
    return rows


def _new_page(request: Request, shop: Shop, status: int = 200, **context: Any) -> Response:
    return renderer_of(request).page(
        request, "instrument_new.html", status, places=shop.desk.places(), **context
    )
