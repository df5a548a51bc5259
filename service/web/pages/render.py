"""Templates, and what every page has in common: time, units, navigation, the last act."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, cast

import jinja2
from fastapi import Request
from starlette.responses import HTMLResponse, Response

from service.shop.flaws import FLAW_KINDS
from service.shop.notices import NOTICE_KINDS
from service.store.errors import StoreError
from service.web import models, phrases
from service.web.deps import Shop
from service.web.flag_shapes import FLAG_WORDS, flag_glyph
from service.web.ladder import draw_ladder
from service.web.problems import FieldError
from service.web.words import Words, shop_zone

__all__ = ["Renderer", "renderer_of"]


THEMES = {"light", "dark", "sun"}
"""Looks that a person may choose by the cookie ``theme``; any other follows the device."""

RECORDED = {"coat", "step", "hung", "cold", "verdict", "flaw"}
"""What a tap can record."""


class _Blanks(dict[str, str]):
    """Form values or errors by field; a field without one is blank."""

    def __missing__(self, name: str) -> str:
        return ""


class Renderer:
    """Draws pages for one shop."""

    def __init__(self, shop: Shop) -> None:
        self.shop = shop
        self.words = Words(shop_zone(shop.settings), us=shop.settings.units == "us")
        self._env = jinja2.Environment(
            loader=jinja2.FileSystemLoader(shop.dashboards.templates),
            autoescape=True,
            undefined=jinja2.StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self._env.filters["iso"] = models.iso
        self._env.filters["pairs"] = _pairs
        self._env.filters["first_upper"] = phrases.first_upper
        self._env.filters["reason_name"] = phrases.reason_name
        self._env.globals.update(
            asset=shop.dashboards.address,
            icon=shop.dashboards.icon,
            draw_ladder=draw_ladder,
            phrases=phrases,
            blanks=_Blanks(),
            notice_kinds=NOTICE_KINDS,
            flag_glyph=flag_glyph,
            flag_words=FLAG_WORDS,
            flaw_names={key: name for key, name, _ in FLAW_KINDS},
            materials=shop.desk.catalogue.materials,
            schedules=shop.desk.catalogue.schedules,
            stale_after_s=shop.settings.stale_after_s,
        )

    def page(
        self, request: Request, template: str, status: int = 200, **context: Any
    ) -> HTMLResponse:
        """Draw a page."""
        now = self.shop.clock.now()
        shared: dict[str, Any] = {
            "path": request.url.path,
            "here": _here(request),
            "now": now,
            "rate": self.shop.clock.rate,
            "theme": _theme(request),
            "words": self.words,
            "unseen": len(self.shop.desk.notices(limit=99, unseen_only=True)),
            "did": self._last_act(request),
            "errors": {},
            "values": {},
        }
        filled = shared | context
        for name in ("errors", "values"):
            filled[name] = _Blanks(filled[name])
        drawn = self._env.get_template(template).render(filled)
        return HTMLResponse(drawn, status)

    def problem(
        self, request: Request, status: int, title: str, detail: str, errors: Sequence[FieldError]
    ) -> Response:
        """Draw an error as a page."""
        return self.page(
            request, "problem.html", status, title=title, detail=detail, field_errors=errors
        )

    def _last_act(self, request: Request) -> dict[str, Any] | None:
        """What the redirect that led here says was done: ``did=coat:12:4`` (kind, row, piece)."""
        if request.method != "GET":
            return None
        if said := phrases.SAID.get(request.query_params.get("said", "")):
            return {"text": said, "undo": None}
        kind, _, rest = request.query_params.get("did", "").partition(":")
        row, _, piece = rest.partition(":")
        if kind not in RECORDED or not (row + piece).isdecimal():
            return None
        try:
            card = self.shop.desk.card(int(piece))
            entries = self.shop.desk.log(int(piece))
        except StoreError:
            return None
        entry = next((e for e in entries if (e.kind, str(e.id)) == (kind, row)), None)
        if entry is None:
            return None
        what = f"No. {card.shop_number}: {entry.text}"
        if entry.undone:
            return {"text": f"Taken back. {what}", "undo": None}
        undo = None if kind == "flaw" else f"/instruments/{card.id}/undo/{kind}/{entry.id}"
        return {"text": f"Recorded. {what}", "undo": undo}


def renderer_of(request: Request) -> Renderer:
    """Return the renderer of this app."""
    return cast("Renderer", request.app.state.renderer)


def _theme(request: Request) -> str:
    chosen = request.cookies.get("theme", "")
    return chosen if chosen in THEMES else "auto"


def _here(request: Request) -> str:
    """Return the address of the page, as a form sends it to be led back to."""
    kept = [(k, v) for k, v in request.query_params.multi_items() if k not in {"did", "said"}]
    query = str(request.query_params.__class__(kept)) if kept else ""
    return request.url.path + (f"?{query}" if query else "")


def _pairs(things: Iterable[Any]) -> list[tuple[str, str]]:
    """Id and name of each, as a choice lists them."""
    return [(thing.id, thing.name) for thing in things]
