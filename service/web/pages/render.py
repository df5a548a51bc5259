"""Templates, and what every page has in common: time, words, navigation, the last act.

There is one :class:`Studio` an app, with the templates once in each language, and one
:class:`Renderer` a request, which draws in the words of whoever asks.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterable, Sequence
from functools import lru_cache, partial
from types import CodeType
from typing import Any, cast

import jinja2
from fastapi import Request
from jinja2.bccache import Bucket
from markupsafe import Markup
from starlette.responses import HTMLResponse, Response

from service.address import page_of
from service.shop.notices import NOTICE_KINDS
from service.shop.said import say
from service.store.accounts import ROLES
from service.store.errors import StoreError
from service.web import models, phrases
from service.web.deps import Shop
from service.web.flag_shapes import FLAG_WORDS, flag_glyph
from service.web.ladder import draw_ladder
from service.web.pages.clock_strip import draw_strip
from service.web.person import Holder, holder_of, words_for
from service.web.phrases_in import PhrasesIn
from service.web.problems import FieldError
from service.web.signin.caller import caller_of
from service.web.tongue import Tongue, load_tongues
from service.web.words import Words

__all__ = ["Renderer", "Studio", "renderer_of"]

RECORDED = {"coat", "step", "hung", "moved", "cold", "verdict", "flaw"}
"""What a tap can record."""

DIGITS = 9
"""Of an id that databases can look for."""


class _Blanks(dict[str, str]):
    """Form values or errors by field; a field without one is blank."""

    def __missing__(self, name: str) -> str:
        return ""


class _Compiled(jinja2.BytecodeCache):
    """Templates compiled once, in memory; the languages differ in what they look up."""

    def __init__(self) -> None:
        self._kept: dict[tuple[str, str], CodeType | None] = {}

    def load_bytecode(self, bucket: Bucket) -> None:
        """Give what was compiled of the same source before."""
        bucket.code = self._kept.get((bucket.key, bucket.checksum))

    def dump_bytecode(self, bucket: Bucket) -> None:
        """Keep what has been compiled."""
        self._kept[bucket.key, bucket.checksum] = bucket.code


_COMPILED = _Compiled()


class Studio:
    """The templates of one shop, once in each language."""

    def __init__(self, shop: Shop) -> None:
        self.shop = shop
        self.tongues = load_tongues(shop.dashboards.locale)
        self._drawers: dict[str, jinja2.Environment] = {}
        self._lock = threading.Lock()

    def renderer(self, request: Request) -> Renderer:
        """Return who draws for this request."""
        holder = holder_of(request, self.shop.telling.people)
        accept = request.headers.get("accept-language", "")
        words = words_for(self.shop.book.now, vars(holder), self.tongues, accept)
        return Renderer(self, words, holder)

    def templates(self, tongue: Tongue) -> jinja2.Environment:
        """Return the templates in a language; they are read when first asked for."""
        with self._lock:
            if tongue.lang not in self._drawers:
                self._drawers[tongue.lang] = self._make(tongue)
            return self._drawers[tongue.lang]

    def _make(self, tongue: Tongue) -> jinja2.Environment:
        shop = self.shop
        drawer = jinja2.Environment(
            loader=jinja2.FileSystemLoader(shop.dashboards.templates),
            autoescape=True,
            undefined=jinja2.StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
            extensions=["jinja2.ext.i18n"],
            bytecode_cache=_COMPILED,
        )
        drawer.policies["ext.i18n.trimmed"] = True
        drawer.install_gettext_callables(  # type: ignore[attr-defined]  # of the extension
            tongue.gettext, tongue.ngettext, newstyle=True
        )
        drawer.globals["_"] = _saying(tongue)
        own = PhrasesIn(tongue)
        drawer.filters["iso"] = models.iso
        drawer.filters["pairs"] = lambda things: _pairs(things, tongue)
        drawer.filters["said"] = tongue.said
        drawer.filters["first_upper"] = phrases.first_upper
        drawer.filters["reason_name"] = own.reason_name
        drawer.globals.update(
            asset=shop.dashboards.address,
            icon=shop.dashboards.icon,
            draw_ladder=draw_ladder,
            draw_strip=draw_strip,
            phrases=own,
            script_words=json.dumps(tongue.script, ensure_ascii=False) if tongue.script else "",
            languages=[(one.lang, one.name) for one in self.tongues],
            blanks=_Blanks(),
            page_of=page_of,
            notice_kinds=own.of(NOTICE_KINDS),
            flag_glyph=flag_glyph,
            flag_words=own.of(FLAG_WORDS),
            flaw_names={
                key: tongue.said(kind.name) for key, kind in shop.desk.catalogue.flaw_kinds.items()
            },
            materials=own.named(shop.desk.catalogue.materials),
            schedules=own.named(shop.desk.catalogue.schedules),
        )
        return drawer


class Renderer:
    """Draws pages for one request."""

    def __init__(self, studio: Studio, words: Words, holder: Holder) -> None:
        self.shop, self.words, self.holder = studio.shop, words, holder
        self.tongues = studio.tongues
        self._templates = studio.templates(words.tongue)

    def page(
        self, request: Request, template: str, status: int = 200, **context: Any
    ) -> HTMLResponse:
        """Draw a page."""
        now = self.shop.clock.now()
        caller, doors = caller_of(request), self.shop.doors
        inside = caller.role in ROLES
        shared: dict[str, Any] = {
            "path": request.url.path,
            "here": _here(request),
            "now": now,
            "rate": self.shop.clock.rate,
            "theme": self.holder.theme or "auto",
            "lang": self.words.tongue.lang,
            "words": self.words,
            "shop_name": self.shop.book.now.name,
            "stale_after_s": self.shop.book.now.stale_after_s,
            "caller": caller,
            "inside": inside,
            "sign_in_on": doors.on,
            "may": partial(doors.may, caller),
            "unseen": len(self.shop.desk.notices(limit=99, unseen_only=True)) if inside else 0,
            "did": self._last_act(request),
            "errors": {},
            "values": {},
        }
        filled = shared | context
        said = {name: self.words.local(why) for name, why in filled["errors"].items()}
        filled["errors"], filled["values"] = _Blanks(said), _Blanks(filled["values"])
        drawn = self._templates.get_template(template).render(filled)
        return HTMLResponse(drawn, status)

    def problem(
        self, request: Request, status: int, title: str, detail: str, errors: Sequence[FieldError]
    ) -> Response:
        """Draw an error as a page."""
        words, called = self.words, phrases.FIELDS
        return self.page(
            request,
            "problem.html",
            status,
            title=words.local(phrases.TROUBLES.get(status, title)),
            detail=words.local(detail),
            field_errors=[
                (words.local(called.get(field, field)), words.local(why)) for field, why in errors
            ],
        )

    def _last_act(self, request: Request) -> dict[str, Any] | None:
        """What the redirect that led here says was done: ``did=coat:12:4`` (kind, row, piece)."""
        if request.method != "GET":
            return None
        if said := phrases.SAID.get(request.query_params.get("said", "")):
            return {"text": said, "undo": None}
        kind, _, rest = request.query_params.get("did", "").partition(":")
        row, _, piece = rest.partition(":")
        if kind not in RECORDED or not (row + piece).isdecimal() or len(piece) > DIGITS:
            return None
        try:
            card = self.shop.desk.card(int(piece))
            entries = self.shop.desk.log(int(piece))
        except StoreError:
            return None
        listed = "hung" if kind == "moved" else kind
        entry = next((e for e in entries if (e.kind, str(e.id)) == (listed, row)), None)
        if entry is None:
            return None
        what = say("No. {number}: {text}", number=card.shop_number, text=entry.text)
        if entry.undone or (kind == "moved" and not entry.moved):
            return {"text": say("Taken back. {what}", what=what), "undo": None}
        undo = f"/instruments/{card.id}/undo/{kind}/{entry.id}"
        return {"text": say("Recorded. {what}", what=what), "undo": undo}


def renderer_of(request: Request) -> Renderer:
    """Return the renderer of this request."""
    if not hasattr(request.state, "renderer"):
        request.state.renderer = cast("Studio", request.app.state.studio).renderer(request)
    return cast("Renderer", request.state.renderer)


def _here(request: Request) -> str:
    """Return the address of the page, as a form sends it to be led back to."""
    kept = [(k, v) for k, v in request.query_params.multi_items() if k not in {"did", "said"}]
    query = str(request.query_params.__class__(kept)) if kept else ""
    return request.url.path + (f"?{query}" if query else "")


def _saying(tongue: Tongue) -> Callable[..., Markup]:
    """Return what templates say ``_(...)`` by: the same as the extension's, which asks twice."""

    @lru_cache(maxsize=4096)
    def message(english: str) -> Markup:
        return Markup(tongue.gettext(english))  # noqa: S704 -- ours, as the template around it

    @lru_cache(maxsize=4096)
    def plain(english: str) -> Markup:
        return message(english) % {}

    def say(english: str, **given: object) -> Markup:
        return message(english) % given if given else plain(english)

    return say


def _pairs(things: Iterable[Any], tongue: Tongue) -> list[tuple[str, str]]:
    """Id and name of each, as a choice lists them."""
    return [(thing.id, tongue.said(thing.name)) for thing in things]
