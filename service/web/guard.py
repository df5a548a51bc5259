"""What every request passes before it reaches a route: size, host, origin; and the headers out.

Plain ASGI, so that the live stream is neither buffered nor delayed.
"""

from __future__ import annotations

import ipaddress
import logging
import re
import socket
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.web.problems import problem

__all__ = ["WRITES", "BodyLimit", "Faults", "SafeHeaders", "SameOrigin", "host_is_ours"]

log = logging.getLogger(__name__)

MOST_BYTES = 1_000_000
"""Largest body that is read."""

PHOTO_BYTES = 20_100_000
"""Largest body where a photo is taken: the photo, and what the form puts around it."""

PHOTO_PATH = re.compile(
    r"(/api/v1)?/flaws/\d{1,12}/photos|/instruments/\d{1,12}/flaw/\w{1,64}/photo"
)

DRAINED_BYTES = 32_000_000
"""How much of a body that is too large is read and thrown away, so that the client hears why."""

WRITES = frozenset({"POST", "PUT", "PATCH", "DELETE"})

CONTENT_POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self'",
        "connect-src 'self'",
        "manifest-src 'self'",
        "worker-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    )
)

OUT = {
    "Content-Security-Policy": CONTENT_POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}


HTTPS_FOR_S = 30 * 86_400
"""Browsers that came by https ask for nothing else for so long, counted from their last visit.

Not for years: a shop that gives its certificate up must be reached again.
"""


class SafeHeaders:
    """Adds the security headers to every answer, and keeps answers out of caches by default."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def sending(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in OUT.items():
                    headers.setdefault(name, value)
                headers.setdefault("Cache-Control", "no-store")
                if scope.get("scheme") == "https":  # a proxy on this machine says so too
                    headers["Strict-Transport-Security"] = f"max-age={HTTPS_FOR_S}"
            await send(message)

        await self.app(scope, receive, sending)


class Faults:
    """Turns what nobody caught into a 500 that tells nothing of the inside; the log has it all."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on."""
        started = False

        async def sending(message: Message) -> None:
            nonlocal started
            started = started or message["type"] == "http.response.start"
            await send(message)

        try:
            await self.app(scope, receive, sending)
        except Exception:
            if scope["type"] != "http" or started:
                raise
            log.exception("request failed", extra={"path": scope["path"]})
            answer = problem(500, "something went wrong here; the log says what")
            await answer(scope, receive, send)


class SameOrigin:
    """Refuses requests for a host that is not ours, and writes that another site's page sends.

    Whether somebody has to sign in or not: without this, any page open in the same browser could
    post to it, and a name that resolves to loopback could read from it.
    """

    def __init__(self, app: ASGIApp, public_url: str | None = None) -> None:
        self.app = app
        self._public = urlsplit(public_url or "").netloc.lower()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, or refuse it."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        host = headers.get("host", "")
        if not (host_is_ours(host) or (self._public and host.lower() == self._public)):
            refusal = problem(421, f"host {host[:80]!r} is not served here", [("host", "unknown")])
        elif scope["method"] in WRITES and not _from_here(headers, host):
            refusal = problem(
                403, "a page of another site may not write here", [("origin", "foreign")]
            )
        else:
            await self.app(scope, receive, send)
            return
        await refusal(scope, receive, send)


class BodyLimit:
    """Refuses bodies over :data:`MOST_BYTES`, whether or not they announce their size.

    Where a photo is taken it is :data:`PHOTO_BYTES`.
    """

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, or refuse it."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        takes_photo = scope["method"] == "POST" and PHOTO_PATH.fullmatch(scope["path"])
        most = PHOTO_BYTES if takes_photo else MOST_BYTES
        too_large = f"body: larger than {most} bytes"
        announced = Headers(scope=scope).get("content-length", "0")
        if not announced.isdecimal() or int(announced) > most:
            await _drain(receive)
            await problem(413, too_large, [("body", "too large")])(scope, receive, send)
            return
        seen = 0

        async def counted() -> Message:
            nonlocal seen
            message = await receive()
            seen += len(message.get("body", b""))
            if seen > most:
                await _drain(receive)
                raise HTTPException(413, too_large)
            return message

        await self.app(scope, counted, send)


async def _drain(receive: Receive) -> None:
    thrown = 0
    while thrown < DRAINED_BYTES:
        message = await receive()
        thrown += len(message.get("body", b""))
        if message["type"] != "http.request" or not message.get("more_body", False):
            return


def host_is_ours(host: str) -> bool:
    """Whether a Host header can only mean this machine on its own network.

    Addresses, names without a dot, ``localhost`` and ``.local`` names cannot be pointed here by
    somebody else's DNS; this machine's own full name is taken too.
    """
    if not re.fullmatch(r"[\w.:\[\]%-]+", host, re.ASCII):
        return False  # a user part, a path or worse
    try:
        name = (urlsplit(f"//{host}").hostname or "").rstrip(".").lower()
    except ValueError:
        return False
    if not name:
        return False
    try:
        ipaddress.ip_address(name)
    except ValueError:
        own = socket.gethostname().lower()
        return "." not in name or name.endswith((".local", ".localhost")) or name == own
    return True


def _from_here(headers: Headers, host: str) -> bool:
    site = headers.get("sec-fetch-site")
    if site is not None and site not in {"same-origin", "none"}:
        return False
    origin = headers.get("origin")
    if origin is None:
        return True  # not a browser, or a browser that already said "same-origin"
    return urlsplit(origin).netloc.lower() == host.lower()
