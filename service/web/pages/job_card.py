"""The job card: one instrument's schedule on paper, for the hook it hangs on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Literal
from urllib.parse import urlsplit

import segno
from fastapi import APIRouter, Query, Request
from markupsafe import Markup
from starlette.responses import Response

from service.address import public_url
from service.settings import Settings
from service.shop.materials import Mark, Material
from service.shop.schedule import Step
from service.store.desk import LogEntry
from service.web.deps import ShopDep
from service.web.pages.render import renderer_of
from service.web.scalars import RowId

__all__ = ["code", "page_base", "router"]

router = APIRouter()

LOOPBACK = {"127.0.0.1", "::1", "localhost"}
QUIET_ZONE = 4
"""Empty modules around the code (ISO/IEC 18004)."""


@dataclass(frozen=True)
class Line:
    """A step on paper: boxes to tick, how many are ticked already, and what it waits for.

    ``after`` is the mark that the coat before must reach first, ``between`` the one from coat to
    coat, ``until`` the one at which a step that is only a wait is over.
    """

    step: Step
    boxes: int
    ticked: int
    after: Mark | None
    between: Mark | None
    until: Mark | None


@router.get("/instruments/{instrument_id}/card")
def job_card(
    instrument_id: RowId,
    request: Request,
    shop: ShopDep,
    size: Annotated[Literal["a5", "a6"], Query()] = "a5",
) -> Response:
    """Show the card of an instrument, to be printed on one sheet of A5 or A6."""
    card = shop.desk.card(instrument_id)
    schedule = shop.desk.schedule(instrument_id)
    materials = shop.desk.catalogue.materials
    steps = schedule.steps if schedule else ()
    base = page_base(request, shop.settings)
    return renderer_of(request).page(
        request,
        "job_card.html",
        card=card,
        size=size,
        lines=lines(steps, materials, shop.desk.log(instrument_id)),
        cautions=cautions(steps, materials),
        base=base,
        code=code(f"{base}/instruments/{instrument_id}"),
    )


def lines(
    steps: Sequence[Step], materials: Mapping[str, Material], log: Sequence[LogEntry]
) -> list[Line]:
    """List the steps of a schedule with their boxes; waits are of the material put on last."""
    done = {e.step_key for e in log if e.kind == "step" and not e.undone}
    coated = [e.step_key for e in log if e.kind == "coat" and not e.undone]
    listed: list[Line] = []
    last: Material | None = None
    for step in steps:
        own = materials.get(step.material or "")
        boxes = max(step.coats, 1)
        on = boxes if step.key in done else min(coated.count(step.key), boxes)
        several = own is not None and step.coats > 1
        listed.append(
            Line(
                step=step,
                boxes=boxes,
                ticked=on,
                after=_mark(last, step.after),
                between=_mark(own, step.between) if several else None,
                until=_mark(last, step.until),
            )
        )
        last = own or last
    return listed


def cautions(
    steps: Sequence[Step], materials: Mapping[str, Material]
) -> list[tuple[str, list[str]]]:
    """Return the first caution of each material in the order of use, with the materials it is of.

    It is a reminder on paper: the material's page has all of them, its data sheet more.
    """
    found: dict[str, list[str]] = {}
    for step in steps:
        material = materials.get(step.material or "")
        if material is None or not material.cautions:
            continue
        names = found.setdefault(material.cautions[0], [])
        if material.name not in names:
            names.append(material.name)
    return list(found.items())


def code(address: str) -> Markup:
    """Draw an address as a QR code (ISO/IEC 18004), 15 % of which may be lost."""
    made = segno.make(address, error="m", micro=False, boost_error=False)
    drawn = made.svg_inline(border=QUIET_ZONE, omitsize=True, svgclass="code", lineclass=None)
    return Markup(drawn)  # noqa: S704 -- drawn from the modules; no text of anybody's is in it


def _mark(material: Material | None, name: str | None) -> Mark | None:
    return None if material is None or name is None else material.marks.get(name)


def page_base(request: Request, settings: Settings) -> str:
    """Return where a phone in the shop finds the pages: as set, as asked for, or as known."""
    if settings.public_url is None and urlsplit(str(request.base_url)).hostname not in LOOPBACK:
        return str(request.base_url).rstrip("/")
    return public_url(settings)
