"""What is tapped on an instrument: what was done, what was found, and undo."""

from __future__ import annotations

from collections.abc import Callable

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from service.shop.said import say
from service.store.errors import StoreError
from service.web import inputs, phrases
from service.web.deps import Shop, ShopDep
from service.web.pages.forms import Fields, FormDep, FormError, back_to, blame, read
from service.web.pages.instruments import instrument_page
from service.web.pages.render import renderer_of
from service.web.pages.taps import made_at, once, refused
from service.web.problems import wants_page
from service.web.scalars import RowId
from service.web.words import Words

__all__ = ["expected", "router"]

router = APIRouter()

Act = Callable[[Shop, int, Fields, Words], str]
"""Does what a form asks for and returns ``kind:row`` of what it made."""


class _MovedOn(Exception):  # noqa: N818 -- reads as what it says
    """The step that a tap was meant for is no longer the open one."""


@router.post("/instruments/{instrument_id}/coat")
def coat(instrument_id: RowId, request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Record a coat."""
    return _tap(request, shop, instrument_id, fields, "coat", _coat)


@router.post("/instruments/{instrument_id}/step")
def step(instrument_id: RowId, request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Record a step as done."""
    return _tap(request, shop, instrument_id, fields, "step", _step)


@router.post("/instruments/{instrument_id}/hang")
def hang(instrument_id: RowId, request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Hang an instrument elsewhere."""
    return _tap(request, shop, instrument_id, fields, "hang", _hang)


@router.post("/instruments/{instrument_id}/moved")
def moved(instrument_id: RowId, request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Say that a planned move was made."""
    return _tap(request, shop, instrument_id, fields, "moved", _moved)


@router.post("/instruments/{instrument_id}/cold")
def cold(instrument_id: RowId, request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Say that an instrument came in cold."""
    return _tap(request, shop, instrument_id, fields, "cold", _cold)


@router.post("/instruments/{instrument_id}/verdict")
def verdict(instrument_id: RowId, request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Say what a coat was found to be."""
    return _tap(request, shop, instrument_id, fields, "verdict", _verdict)


@router.post("/instruments/{instrument_id}/flaw")
def flaw(instrument_id: RowId, request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Log a flaw, and show the air behind it."""
    return _tap(request, shop, instrument_id, fields, "flaw", _flaw)


@router.post("/instruments/{instrument_id}/gone")
def gone(instrument_id: RowId, request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Say that an instrument has left the shop."""
    return _come_or_go(request, shop, instrument_id, fields, "gone")


@router.post("/instruments/{instrument_id}/back")
def back(instrument_id: RowId, request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Say that an instrument is in the shop again."""
    return _come_or_go(request, shop, instrument_id, fields, "back")


@router.post("/instruments/{instrument_id}/undo/{kind}/{row_id}")
def undo(
    instrument_id: RowId, kind: str, row_id: RowId, request: Request, shop: ShopDep, fields: FormDep
) -> Response:
    """Take one entry of the record back."""

    def do() -> str:
        shop.work.undo(kind, row_id)
        did = f"{kind}:{row_id}:{instrument_id}"
        return back_to(fields, f"/instruments/{instrument_id}", did=did)

    with shop.desk.db.one_at_a_time():
        led_to = once(shop, request, fields, do)
    shop.worked(instrument_id)
    return RedirectResponse(led_to, 303)


def _come_or_go(
    request: Request, shop: Shop, instrument_id: int, fields: Fields, which: str
) -> Response:
    leaving, home = shop.work.leaving, f"/instruments/{instrument_id}"

    def do() -> str:
        if which == "gone":
            leaving.leave(instrument_id)
        else:
            leaving.come_back(instrument_id)
        return f"{home}?said={which}"

    return _recorded(request, shop, instrument_id, fields, which, do, refused_with=409)


def expected(shop: Shop, instrument_id: int) -> set[str]:
    """Name the acts that are open: a tap carries one, so that a second tap is not a second coat."""
    card = shop.desk.card(instrument_id)
    return {f"{card.act.step_key}.{card.act.coat_number or 0}"} | {
        f"{part.part}:{part.act.step_key}.{part.act.coat_number or 0}" for part in card.parts
    }


def _tap(
    request: Request, shop: Shop, instrument_id: int, fields: Fields, form: str, act: Act
) -> Response:
    home = f"/instruments/{instrument_id}"

    def do() -> str:
        if fields.get("expect", "") not in {"", *expected(shop, instrument_id)}:
            raise _MovedOn
        given = made_at(shop, fields, "seen_at" if form == "flaw" else "at")
        did = act(shop, instrument_id, given, renderer_of(request).words)
        if form == "flaw":
            return f"/flaws/{did.partition(':')[2]}?did={did}:{instrument_id}"
        return back_to(fields, home, did=f"{did}:{instrument_id}")

    try:
        return _recorded(request, shop, instrument_id, fields, form, do)
    except _MovedOn:
        return RedirectResponse(back_to(fields, home, said="moved-on"), 303)


def _recorded(
    request: Request,
    shop: Shop,
    instrument_id: int,
    fields: Fields,
    form: str,
    do: Callable[[], str],
    *,
    refused_with: int = 422,
) -> Response:
    """Do what was tapped, once, and lead on to where it says; a refusal stands by its form."""
    try:
        with shop.desk.db.one_at_a_time():
            led_to = once(shop, request, fields, do)
    except (FormError, StoreError) as error:
        if not wants_page(request):
            return refused(error)
        return instrument_page(
            request,
            shop,
            instrument_id,
            status=refused_with,
            form=form,
            errors=blame(error),
            values=fields,
        )
    shop.worked(instrument_id)
    return RedirectResponse(led_to, 303)


def _coat(shop: Shop, instrument_id: int, fields: Fields, words: Words) -> str:
    form = read(inputs.CoatIn, fields, words)
    row = shop.work.record_coat(
        instrument_id,
        material_id=form.material,
        wet_um=form.wet_um,
        passes=form.passes,
        retarder_pct=form.retarder_pct,
        place_id=form.place,
        at=form.at,
        who=form.who,
        note=form.note,
        parts=form.parts,
        build=form.build,
        distance_cm=form.distance_cm,
        batch=form.batch,
    )
    return f"coat:{row.id}"


def _step(shop: Shop, instrument_id: int, fields: Fields, words: Words) -> str:
    form = read(inputs.StepIn, fields, words)
    row = shop.work.finish_step(
        instrument_id,
        form.step,
        at=form.at,
        who=form.who,
        note=form.note,
        parts=form.parts,
        removed_um=form.removed_um,
    )
    return f"step:{row.id}"


def _hang(shop: Shop, instrument_id: int, fields: Fields, words: Words) -> str:
    form = read(inputs.HangIn, fields, words)
    return f"hung:{shop.work.hang(instrument_id, form.place, form.at).id}"


def _moved(shop: Shop, instrument_id: int, fields: Fields, words: Words) -> str:
    form = read(inputs.MovedIn, fields, words)
    row = shop.work.moves.made(form.move, form.at, instrument_id=instrument_id)
    shop.moved(instrument_id)
    return f"moved:{row.id}"


def _cold(shop: Shop, instrument_id: int, fields: Fields, words: Words) -> str:
    given = fields | {"wood_c": fields.get("wood", "").replace(",", ".")}
    try:
        given["wood_c"] = repr(words.value_si("surface_c", float(given["wood_c"])))
    except ValueError as error:
        raise FormError([("wood_c", say("is no number"))]) from error
    form = read(inputs.ColdArrivalIn, given, words)
    row = shop.work.arrivals.record(
        instrument_id, form.wood_c, at=form.at, wood_rh_pct=form.wood_rh_pct
    )
    return f"cold:{row.id}"


def _verdict(shop: Shop, instrument_id: int, fields: Fields, words: Words) -> str:
    form = read(inputs.VerdictIn, fields, words)
    row = shop.work.verdicts.record(
        instrument_id, form.said, mark=form.mark, at=form.at, who=form.who, coat_id=form.coat
    )
    return f"verdict:{row.id}"


def _flaw(shop: Shop, instrument_id: int, fields: Fields, words: Words) -> str:
    form = read(inputs.FlawIn, fields | {"instrument": str(instrument_id)}, words)
    row = shop.work.flaws.log(
        instrument_id,
        kind=form.kind,
        part=phrases.part_named(form.part, words.tongue.said),
        severity=form.severity,
        seen_at=form.seen_at,
        note=form.note,
        coat_id=form.coat,
        who=form.who,
    )
    return f"flaw:{row.id}"
