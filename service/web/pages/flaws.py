"""Pages of the flaws: log one, put it right, look for some, and see what lies behind one."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from functools import partial
from typing import Annotated, Any, NamedTuple
from urllib.parse import urlsplit

from fastapi import APIRouter, Depends, Request
from pydantic import BaseModel, ConfigDict, ValidationError
from starlette.datastructures import UploadFile
from starlette.responses import RedirectResponse, Response

from service.store.errors import BadInput, StoreError
from service.store.flaw_book import UNCHANGED
from service.store.photo_book import TakenIn
from service.store.pictures import MOST_BYTES
from service.web import flaw_models
from service.web.api.flaws import flaw_query
from service.web.cause_models import causes_out
from service.web.deps import Shop, ShopDep
from service.web.pages.cause_words import CauseWords
from service.web.pages.evidence_figure import evidence_figure
from service.web.pages.evidence_words import told
from service.web.pages.forms import (
    Fields,
    FormDep,
    FormError,
    back_to,
    blame,
    read,
    typed_in,
    with_point,
)
from service.web.pages.render import renderer_of
from service.web.pages.taps import made_at, once, refused
from service.web.problems import wants_page
from service.web.report import contents_of, draw_pdf
from service.web.scalars import RowId

__all__ = ["router"]

router = APIRouter()

SEARCHED = (
    "instrument", "kind", "material", "batch", "month", "rh_from", "rh_to", "air_from", "air_to",
)  # fmt: skip


class _Asked(BaseModel):
    """What the list is asked for: a form sends fields that were left empty too."""

    model_config = ConfigDict(extra="ignore")

    instrument: RowId | None = None
    kind: str | None = None
    material: str | None = None
    batch: str | None = None
    month: str | None = None
    rh_from: float | None = None
    rh_to: float | None = None
    air_from: float | None = None
    air_to: float | None = None


@router.get("/flaws")
def list_flaws(request: Request, shop: ShopDep) -> Response:
    """Show the flaws that are looked for, newest first."""
    words = renderer_of(request).words
    values = {
        name: text.strip()
        for name in SEARCHED
        if (text := request.query_params.get(name, "")).strip()
    }
    errors: dict[str, str] = {}
    rows: Sequence[Any] = []
    try:
        asked = _Asked.model_validate(
            {k: with_point(v) if k.endswith(("_from", "_to")) else v for k, v in values.items()}
        )
        query = flaw_query(
            shop,
            instrument=asked.instrument,
            kind=asked.kind,
            batch=asked.batch,
            material=asked.material,
            month=asked.month,
            rh=(asked.rh_from, asked.rh_to),
            air=(_celsius(words, asked.air_from), _celsius(words, asked.air_to)),
        )
        rows = shop.work.flaws.find(query)
    except ValidationError as error:
        errors = {str(item["loc"][0]): str(item["msg"]) for item in error.errors()}
    except StoreError as error:
        errors = blame(error)
    return renderer_of(request).page(
        request,
        "flaws.html",
        422 if errors else 200,
        flaws=rows,
        photos=_first_photos(shop, [int(row.id or 0) for row in rows]),
        numbers=shop.desk.shop_numbers(),
        cards=shop.desk.cards(),
        kinds=list(shop.desk.catalogue.flaw_kinds.values()),
        values=values,
        errors=errors,
        searched=bool(values),
    )


@router.get("/instruments/{instrument_id}/flaw")
def new_flaw(instrument_id: RowId, request: Request, shop: ShopDep) -> Response:
    """Ask what kind of flaw it is: one tap logs it."""
    return renderer_of(request).page(
        request,
        "flaw_new.html",
        card=shop.desk.card(instrument_id),
        kinds=list(shop.desk.catalogue.flaw_kinds.values()),
    )


@router.get("/flaws/{flaw_id}")
def get_flaw(flaw_id: RowId, request: Request, shop: ShopDep) -> Response:
    """Show a flaw and what the record shows behind it."""
    return _page(request, shop, flaw_id)


@router.get("/flaws/{flaw_id}/report.pdf")
def get_report(flaw_id: RowId, request: Request, shop: ShopDep) -> Response:
    """Give the report on a flaw for a customer or a supplier, as PDF."""
    words, now = renderer_of(request).words, shop.clock.now()
    behind, row = shop.work.flaws.behind(flaw_id), shop.work.flaws.flaw(flaw_id)
    photos = tuple(
        (shop.photos.file(flaw_id, int(p.id or 0)), p) for p in shop.photos.of([flaw_id])
    )
    contents = contents_of(
        shop_name=shop.book.now.name,
        flaw=row,
        kind=shop.desk.catalogue.flaw_kinds[row.kind],
        card=shop.desk.card(row.instrument_id),
        behind=behind,
        causes=causes_out(shop.work.causes.judge(behind.evidence)),
        photos=photos,
        figure=str(
            evidence_figure(behind.evidence, partial(shop.work.flaws.course, flaw_id), words, now)
        ),
        words=words,
        now=now,
    )
    return Response(
        draw_pdf(contents),
        media_type="application/pdf",
        headers={"Content-Disposition": f'inline; filename="flaw-{flaw_id}.pdf"'},
    )


@router.post("/flaws/{flaw_id}/change")
def change_flaw(flaw_id: RowId, request: Request, shop: ShopDep, fields: FormDep) -> Response:
    """Put one detail of a flaw right; each is saved by itself."""
    given = dict(fields)
    for cleared in ("note", "who", "part"):
        if fields.get("field") == cleared:
            given.setdefault(cleared, "")
    try:
        form = read(flaw_models.FlawChangeIn, given, renderer_of(request).words)
        row = shop.work.flaws.change(
            flaw_id,
            kind=form.kind,
            part=form.part,
            severity=form.severity,
            seen_at=form.seen_at,
            note=form.note,
            who=form.who,
            coat_id=form.coat if fields.get("field") == "coat" else UNCHANGED,
        )
    except (FormError, BadInput) as error:
        return _page(request, shop, flaw_id, 422, errors=blame(error), values=fields)
    shop.worked(row.instrument_id)
    return RedirectResponse(back_to(fields, f"/flaws/{flaw_id}", said="flaw-set"), 303)


async def _sent(request: Request) -> _Sent:
    """Read a photo out of a form, no more of it than may be kept; none where none was chosen."""
    async with request.form(max_files=1, max_fields=8) as form:
        photo = form.get("photo")
        data = b""
        if isinstance(photo, UploadFile) and photo.filename:
            data = await photo.read(MOST_BYTES + 1)
        return _Sent(data, typed_in(request, form))


class _Sent(NamedTuple):
    photo: bytes
    fields: Fields


SentDep = Annotated[_Sent, Depends(_sent)]


@router.post("/flaws/{flaw_id}/cause")
def confirm_cause(flaw_id: RowId, shop: ShopDep, fields: FormDep) -> Response:
    """Keep what was found to be behind a flaw."""
    shop.work.causes.confirm(flaw_id, fields.get("cause", ""))
    shop.worked(shop.work.flaws.flaw(flaw_id).instrument_id)
    return RedirectResponse(f"/flaws/{flaw_id}#causes", 303)


@router.post("/flaws/{flaw_id}/cause/withdraw")
def withdraw_cause(flaw_id: RowId, shop: ShopDep, _fields: FormDep) -> Response:
    """Take back what was found to be behind a flaw."""
    shop.work.causes.withdraw(flaw_id)
    shop.worked(shop.work.flaws.flaw(flaw_id).instrument_id)
    return RedirectResponse(f"/flaws/{flaw_id}#causes", 303)


@router.post("/flaws/{flaw_id}/photos")
def add_photo(flaw_id: RowId, request: Request, shop: ShopDep, sent: SentDep) -> Response:
    """Keep a photo of a flaw; sent again with the same key it is the same photo."""
    try:
        taken = shop.photos.take_in(sent.photo)

        def do() -> str:
            shop.photos.keep(flaw_id, taken)
            return f"/flaws/{flaw_id}?said=photo-kept#photos"

        with shop.desk.db.one_at_a_time():
            led_to = once(shop, request, sent.fields, do)
    except StoreError as error:
        if not wants_page(request):
            return refused(error)
        if not isinstance(error, BadInput):
            raise
        return _page(request, shop, flaw_id, 422, errors=blame(error))
    shop.worked(shop.work.flaws.flaw(flaw_id).instrument_id)
    return RedirectResponse(led_to, 303)


@router.post("/instruments/{instrument_id}/flaw/{kind}/photo")
def log_with_photo(
    instrument_id: RowId, kind: str, request: Request, shop: ShopDep, sent: SentDep
) -> Response:
    """Log a flaw as seen when it was tapped, with a photo of it.

    Where the photo cannot be used the flaw is logged without.
    """
    wrong: BadInput | None = None
    taken: TakenIn | None = None
    try:
        taken = shop.photos.take_in(sent.photo)
    except BadInput as error:
        wrong = error

    def do() -> str:
        given = made_at(shop, sent.fields, "seen_at").get("seen_at")
        seen_at = None if given is None else datetime.fromisoformat(given)
        row = shop.work.flaws.log(
            instrument_id, kind=kind, seen_at=seen_at, who=sent.fields.get("who", "")
        )
        if taken is None:
            return f"/flaws/{row.id}?said=photo-unusable#photos"
        shop.photos.keep(int(row.id or 0), taken)
        return f"/flaws/{row.id}?did=flaw:{row.id}:{instrument_id}"

    try:
        with shop.desk.db.one_at_a_time():
            led_to = once(shop, request, sent.fields, do)
    except (FormError, StoreError) as error:
        if wants_page(request) and isinstance(error, StoreError):
            raise
        return refused(error)
    shop.worked(instrument_id)
    if wrong is not None and wants_page(request):
        flaw_id = int(urlsplit(led_to).path.rpartition("/")[2])
        return _page(request, shop, flaw_id, 422, errors=blame(wrong))
    return RedirectResponse(led_to, 303)


@router.post("/flaws/{flaw_id}/photos/{photo_id}/undo")
def undo_photo(flaw_id: RowId, photo_id: RowId, shop: ShopDep, _fields: FormDep) -> Response:
    """Take a photo back."""
    shop.photos.undo(flaw_id, photo_id)
    return RedirectResponse(f"/flaws/{flaw_id}?said=photo-gone#photos", 303)


def _page(
    request: Request,
    shop: Shop,
    flaw_id: int,
    status: int = 200,
    *,
    errors: dict[str, str] | None = None,
    values: Fields | None = None,
) -> Response:
    renderer = renderer_of(request)
    behind = shop.work.flaws.behind(flaw_id)
    row = shop.work.flaws.flaw(flaw_id)
    now = shop.clock.now()
    return renderer.page(
        request,
        "flaw.html",
        status,
        flaw=row,
        kind=shop.desk.catalogue.flaw_kinds.get(row.kind),
        kinds=list(shop.desk.catalogue.flaw_kinds.values()),
        card=shop.desk.card(row.instrument_id),
        photos=shop.photos.of([flaw_id]),
        behind=behind,
        evidence=behind.evidence,
        figure=evidence_figure(
            behind.evidence, partial(shop.work.flaws.course, flaw_id), renderer.words, now
        ),
        told=told(behind, renderer.words, now),
        causes=CauseWords(causes_out(shop.work.causes.judge(behind.evidence)), renderer.words),
        errors=errors or {},
        values=values or {},
        seen_field=_field(row.seen_at, renderer.words.zone),
    )


def _field(at: datetime, zone: Any) -> str:
    """An instant as a form field holds it."""
    return at.astimezone(zone).strftime("%Y-%m-%dT%H:%M")


def _celsius(words: Any, figure: float | None) -> float | None:
    return None if figure is None else float(words.value_si("air_c", figure))


def _first_photos(shop: Shop, flaw_ids: Sequence[int]) -> dict[int, int]:
    """Number of the first photo of each flaw that has one."""
    first: dict[int, int] = {}
    for photo in shop.photos.of(flaw_ids):
        first.setdefault(photo.flaw_id, int(photo.id or 0))
    return first
