"""The gate: every request is held against the table of rights before any route is reached.

Plain ASGI, as the other guards are, so that the live stream is neither buffered nor delayed.
"""

from __future__ import annotations

from urllib.parse import urlencode, urlsplit

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send

from service.shop.said import say
from service.web import phrases
from service.web.guard import WRITES
from service.web.pages.render import renderer_of
from service.web.problems import problem, wants_page
from service.web.signin.caller import OPEN, Caller
from service.web.signin.doors import Doors
from service.web.signin.recorder import Recorder
from service.web.signin.whence import is_of_this_machine

__all__ = ["BY_SCRIPT", "Gate"]

BY_SCRIPT = "boothglass-script"
"""Header of a page's own script: it asks for pages too, and must not be led to another one."""


class Gate:
    """Finds out who asks, and lets through what the table of rights allows."""

    def __init__(self, app: ASGIApp, doors: Doors) -> None:
        self.app, self.doors, self.recorder = app, doors, Recorder(doors)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, or answer why not."""
        if scope["type"] != "http":
            if scope["type"] == "websocket" and self.doors.on:  # no row of the table names any
                await send({"type": "websocket.close", "code": 1008})
            else:
                await self.app(scope, receive, send)
            return
        request = Request(scope, receive)
        caller = await self._caller(request)
        request.state.caller = caller
        if not self.doors.on:
            await self.app(scope, receive, send)
            return
        self.doors.watch_for_proxies(request)
        if request.method in WRITES:
            send = self.recorder.recording(request, caller, send)
        refusal = await self._refusal(request, caller)
        await (refusal or self.app)(scope, receive, send)

    async def _caller(self, request: Request) -> Caller:
        if not self.doors.on:
            return OPEN
        known = self.doors.remembered(request)
        return known if known is not None else await run_in_threadpool(self.doors.caller, request)

    async def _refusal(self, request: Request, caller: Caller) -> Response | None:
        """Return the answer to a request that is not let through; None where it is."""
        method, path = request.method, request.url.path
        said = self.doors.rights.ask(caller, method, path, on_machine=is_of_this_machine(request))
        if said == "may":
            if method in WRITES and caller.by_cookie and not _shows_origin(request):
                why = say("a browser has to say which site it writes from")
                return await _answer(request, 403, why, [("origin", "missing")])
            return await self._afresh(request, caller)
        if said == "unknown":
            return await _answer(request, 404, f"nothing at {path}")
        if said == "method":
            return await _answer(request, 405, f"{method} is not for {path}")
        if said == "refused":
            why = _REFUSED.get(caller.role, _NOT_THIS_TOKEN)
            return await _answer(request, 403, why, [("role", why)])
        return await _to_sign_in(request)

    async def _afresh(self, request: Request, caller: Caller) -> Response | None:
        """Lead whoever signed in long ago to where one does so again, if that is asked for."""
        doors = self.doors
        if not doors.rights.asks_afresh(request.method, request.url.path):
            return None
        if await run_in_threadpool(doors.signed_in_lately, caller):
            return None
        if wants_page(request) and BY_SCRIPT not in request.headers:
            came_from = urlsplit(request.headers.get("referer", "")).path or "/"
            return RedirectResponse(f"/sign-in/again?{urlencode({'next': came_from})}", 303)
        why = say("sign in once more: this changes who can come in")
        return await _answer(request, 403, why, [("again", why)])


_REFUSED = {
    "finisher": say("only an owner may do this"),
    "guest": say("a guest reads, and changes nothing"),
    "wall": say("a wall screen shows one page, and nothing else"),
}
_NOT_THIS_TOKEN = say("this token is not for that")


def _shows_origin(request: Request) -> bool:
    """Whether a browser said where a form or script comes from.

    That it comes from here has been checked before; whoever says nothing is no browser of today,
    and then a cookie is no proof that the person meant it.
    """
    return "origin" in request.headers or "sec-fetch-site" in request.headers


async def _to_sign_in(request: Request) -> Response:
    """Lead a person to the page where one signs in; tell scripts and programs that one has to."""
    here = request.url.path + (f"?{request.url.query}" if request.url.query else "")
    if wants_page(request) and request.method == "GET" and BY_SCRIPT not in request.headers:
        return RedirectResponse(f"/sign-in?{urlencode({'next': here})}", 303)
    if wants_page(request):
        return await run_in_threadpool(
            lambda: renderer_of(request).page(request, "signed_out.html", 401)
        )
    why = say("nobody is signed in on this device")
    return problem(401, why, [("sign-in", why)], {"WWW-Authenticate": "Bearer"})


async def _answer(
    request: Request, status: int, why: str, errors: list[tuple[str, str]] | None = None
) -> Response:
    if wants_page(request):
        return await run_in_threadpool(_page, request, status, why)
    return problem(status, why, errors or [])


def _page(request: Request, status: int, why: str) -> Response:
    renderer = renderer_of(request)
    title = say("Not for you") if status == 403 else say("Nothing here")
    local = renderer.words.local
    detail = f"{phrases.first_upper(local(why))}."
    return renderer.problem(request, status, local(title), detail, [])
