"""Flaws: log one, and read the evidence behind it."""

from __future__ import annotations

from fastapi import APIRouter, Response

from service.web import answers, inputs, models
from service.web.deps import ShopDep

__all__ = ["router"]

router = APIRouter(tags=["flaws"])


@router.get("/flaws")
def list_flaws(shop: ShopDep, instrument: int | None = None) -> list[models.FlawOut]:
    """List flaws, newest first, each with the coats, air and waits behind it."""
    return [answers.flaw_out(row) for row in shop.desk.flaws(instrument)]


@router.post("/flaws", status_code=201)
def log_flaw(body: inputs.FlawIn, shop: ShopDep, response: Response) -> models.FlawOut:
    """Log a flaw; the air and waits behind the coats under it are kept with it."""
    row = shop.work.log_flaw(
        body.instrument,
        kind=body.kind,
        part=body.part,
        severity=body.severity,
        seen_at=body.seen_at,
        note=body.note,
        coat_id=body.coat,
    )
    shop.worked(body.instrument)
    response.headers["Location"] = f"/api/v1/flaws/{row.id}"
    return answers.flaw_out(row)


@router.get("/flaws/{flaw_id}")
def get_flaw(flaw_id: int, shop: ShopDep) -> models.FlawOut:
    """Give one flaw with its evidence."""
    return answers.flaw_out(shop.desk.flaw(flaw_id))
