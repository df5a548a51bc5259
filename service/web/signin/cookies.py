"""The cookie of a signed-in device."""

from __future__ import annotations

from starlette.requests import HTTPConnection
from starlette.responses import Response

from service.store.sessions import LONGEST

__all__ = ["SESSION", "forget", "give", "is_https"]

SESSION = "boothglass_session"


def is_https(connection: HTTPConnection) -> bool:
    """Whether the request came encrypted, by what a proxy on this machine says too."""
    return connection.url.scheme == "https"


def give(response: Response, request: HTTPConnection, token: str) -> None:
    """Let the device keep its token, out of reach of scripts and of other sites' forms."""
    response.set_cookie(
        SESSION,
        token,
        max_age=int(LONGEST.total_seconds()),
        httponly=True,
        samesite="lax",
        secure=is_https(request),
    )


def forget(response: Response, request: HTTPConnection) -> None:
    """Let the device forget its token."""
    response.delete_cookie(SESSION, httponly=True, samesite="lax", secure=is_https(request))
