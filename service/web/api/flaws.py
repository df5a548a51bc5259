"""Flaws: log one, put it right, look for some, and read the evidence behind it."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal

from fastapi import APIRouter, Form, Query, Response, UploadFile
from fastapi.responses import FileResponse

from service.shop.said import say
from service.store.errors import BadInput
from service.store.fields import one_of
from service.store.flaw_book import UNCHANGED, FlawQuery
from service.store.pictures import MOST_BYTES
from service.web import cause_models, flaw_models, inputs
from service.web.deps import Shop, ShopDep
from service.web.scalars import RowId

__all__ = ["flaw_query", "read_photo", "router", "send_photo"]

router = APIRouter(tags=["flaws"])

Text = Annotated[str | None, Query(max_length=80)]
Month = Annotated[str | None, Query(description="Month in which it was seen, such as 2025-03.")]
Percent = Annotated[float | None, Query(ge=0, le=100)]
Degrees = Annotated[float | None, Query(ge=-40, le=60)]

KEPT_FOR = "private, max-age=31536000, immutable"
"""A photo's file never changes; other pages of this browser may keep it."""


@router.get("/flaw-kinds")
def list_flaw_kinds(shop: ShopDep) -> list[flaw_models.FlawKindOut]:
    """List the kinds of flaw: how each looks, when it shows, what is usually done about it."""
    return [flaw_models.kind_out(kind) for kind in shop.desk.catalogue.flaw_kinds.values()]


@router.get("/flaws")
def list_flaws(
    shop: ShopDep,
    instrument: RowId | None = None,
    kind: Text = None,
    batch: Text = None,
    material: Text = None,
    month: Month = None,
    rh_from: Percent = None,
    rh_to: Percent = None,
    air_from: Degrees = None,
    air_to: Degrees = None,
) -> list[flaw_models.FlawOut]:
    """List flaws, newest first.

    ``batch``, ``material`` and the air (``rh_from``, ``rh_to`` in %, ``air_from``, ``air_to`` in
    °C) are those of the coat it was put down to, or of any under it where none was.
    """
    query = flaw_query(
        shop,
        instrument=instrument,
        kind=kind,
        batch=batch,
        material=material,
        month=month,
        rh=(rh_from, rh_to),
        air=(air_from, air_to),
    )
    rows = shop.work.flaws.find(query)
    return flaw_models.flaws_out(rows, shop.photos.of([int(row.id or 0) for row in rows]))


@router.post("/flaws", status_code=201)
def log_flaw(body: inputs.FlawIn, shop: ShopDep, response: Response) -> flaw_models.FlawOut:
    """Log a flaw; what the record shows behind it now is kept with it."""
    row = shop.work.flaws.log(
        body.instrument,
        kind=body.kind,
        part=body.part,
        severity=body.severity,
        seen_at=body.seen_at,
        note=body.note,
        coat_id=body.coat,
        who=body.who,
    )
    shop.worked(body.instrument)
    response.headers["Location"] = f"/api/v1/flaws/{row.id}"
    return flaw_models.flaw_out(row, [])


@router.get("/flaws/{flaw_id}")
def get_flaw(flaw_id: RowId, shop: ShopDep) -> flaw_models.FlawOut:
    """Give one flaw, also one that was taken back."""
    return flaw_models.flaw_out(shop.work.flaws.flaw(flaw_id), shop.photos.of([flaw_id]))


@router.patch("/flaws/{flaw_id}")
def change_flaw(
    flaw_id: RowId, body: flaw_models.FlawChangeIn, shop: ShopDep
) -> flaw_models.FlawOut:
    """Put details of a flaw right."""
    row = shop.work.flaws.change(
        flaw_id,
        kind=body.kind,
        part=body.part,
        severity=body.severity,
        seen_at=body.seen_at,
        note=body.note,
        who=body.who,
        coat_id=body.coat if "coat" in body.model_fields_set else UNCHANGED,
    )
    shop.worked(row.instrument_id)
    return flaw_models.flaw_out(row, shop.photos.of([flaw_id]))


@router.delete("/flaws/{flaw_id}", status_code=204, response_class=Response)
def undo_flaw(flaw_id: RowId, shop: ShopDep) -> Response:
    """Take a flaw back; it stays in the record, marked as undone."""
    shop.work.undo("flaw", flaw_id)
    shop.worked(shop.work.flaws.flaw(flaw_id).instrument_id)
    return Response(status_code=204)


@router.get("/flaws/{flaw_id}/evidence")
def get_evidence(flaw_id: RowId, shop: ShopDep) -> flaw_models.EvidenceOut:
    """Give what the record shows behind a flaw: reckoned now, with what has changed since."""
    return flaw_models.evidence_out(shop.work.flaws.behind(flaw_id))


@router.get("/flaws/{flaw_id}/causes")
def get_causes(flaw_id: RowId, shop: ShopDep) -> cause_models.CausesOut:
    """Give what may be behind a flaw, likeliest first, each with what speaks for and against it."""
    return cause_models.causes_out(shop.work.causes.judge(shop.work.flaws.behind(flaw_id).evidence))


@router.get("/flaws/{flaw_id}/report")
def get_report(flaw_id: RowId, shop: ShopDep) -> cause_models.ReportOut:
    """Give what the report on a flaw says; as PDF it is at ``/flaws/{flaw_id}/report.pdf``."""
    behind = shop.work.flaws.behind(flaw_id)
    row = shop.work.flaws.flaw(flaw_id)
    return cause_models.ReportOut(
        flaw=flaw_models.flaw_out(row, shop.photos.of([flaw_id])),
        kind=flaw_models.kind_out(shop.desk.catalogue.flaw_kinds[row.kind]),
        evidence=flaw_models.evidence_out(behind),
        causes=cause_models.causes_out(shop.work.causes.judge(behind.evidence)),
    )


@router.put("/flaws/{flaw_id}/cause", status_code=204, response_class=Response)
def confirm_cause(flaw_id: RowId, body: cause_models.CauseIn, shop: ShopDep) -> Response:
    """Keep what was found to be behind a flaw; it bears on how later ones are judged."""
    shop.work.causes.confirm(flaw_id, body.cause, body.who)
    shop.worked(shop.work.flaws.flaw(flaw_id).instrument_id)
    return Response(status_code=204)


@router.delete("/flaws/{flaw_id}/cause", status_code=204, response_class=Response)
def withdraw_cause(flaw_id: RowId, shop: ShopDep) -> Response:
    """Take back what was found to be behind a flaw."""
    shop.work.causes.withdraw(flaw_id)
    shop.worked(shop.work.flaws.flaw(flaw_id).instrument_id)
    return Response(status_code=204)


@router.post("/flaws/{flaw_id}/photos", status_code=201)
def add_photo(
    flaw_id: RowId, shop: ShopDep, photo: UploadFile, who: Annotated[str, Form()] = ""
) -> flaw_models.FlawPhotoOut:
    """Keep a photo: JPEG, PNG or WebP, 20 MB at most. It is written anew without its metadata."""
    row = shop.photos.add(flaw_id, read_photo(photo), who)
    shop.worked(shop.work.flaws.flaw(flaw_id).instrument_id)
    return flaw_models.photo_out(row)


@router.get("/flaws/{flaw_id}/photos/{photo_id}", response_class=FileResponse)
def get_photo(
    flaw_id: RowId, photo_id: RowId, shop: ShopDep, size: Literal["full", "small"] = "full"
) -> FileResponse:
    """Give a photo of a flaw as JPEG."""
    return send_photo(shop, flaw_id, photo_id, size)


@router.delete("/flaws/{flaw_id}/photos/{photo_id}", status_code=204, response_class=Response)
def undo_photo(flaw_id: RowId, photo_id: RowId, shop: ShopDep) -> Response:
    """Take a photo back; it is not shown any more."""
    shop.photos.undo(flaw_id, photo_id)
    return Response(status_code=204)


def read_photo(photo: UploadFile | None) -> bytes:
    """Read an upload, but no more than may be kept; raises BadInput naming ``photo``."""
    if photo is None:
        raise BadInput("photo", say("choose a picture first"))
    return photo.file.read(MOST_BYTES + 1)


def send_photo(
    shop: Shop, flaw_id: int, photo_id: int, size: Literal["full", "small"]
) -> FileResponse:
    """Answer with a photo's file; its name is made of numbers only."""
    return FileResponse(
        shop.photos.file(flaw_id, photo_id, size),
        media_type="image/jpeg",
        filename=f"flaw-{flaw_id}-photo-{photo_id}.jpg",
        content_disposition_type="inline",
        headers={"Cache-Control": KEPT_FOR},
    )


def flaw_query(
    shop: Shop,
    *,
    instrument: int | None,
    kind: str | None,
    batch: str | None,
    material: str | None,
    month: str | None,
    rh: tuple[float | None, float | None] = (None, None),
    air: tuple[float | None, float | None] = (None, None),
) -> FlawQuery:
    """Put what is looked for together; fields left empty ask for nothing. Raises BadInput."""
    if kind:
        one_of("kind", kind, shop.desk.catalogue.flaw_kinds)
    return FlawQuery(
        instrument_id=instrument,
        kind=kind or None,
        batch=batch or None,
        material_id=material or None,
        month=_month(shop, month) if month else None,
        rh_from_pct=rh[0],
        rh_to_pct=rh[1],
        air_from_c=air[0],
        air_to_c=air[1],
    )


def _month(shop: Shop, month: str) -> tuple[datetime, datetime]:
    """Return the first instant of a month in the shop's zone, and that of the next."""
    zone = shop.book.now.tz
    try:
        begins = datetime.strptime(month, "%Y-%m").replace(tzinfo=zone)
    except ValueError as error:
        raise BadInput(
            "month", say("{month!r} is no month such as 2025-03", month=month)
        ) from error
    over = begins.month == 12
    return begins, begins.replace(year=begins.year + over, month=1 if over else begins.month + 1)
