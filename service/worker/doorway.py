"""The way in for requests: which shop they are for, by the name under which it was reached."""

from __future__ import annotations

import asyncio
import logging
import multiprocessing
import os
import signal
import threading
import time
from collections.abc import Callable

from starlette.datastructures import Headers
from starlette.types import ASGIApp, Receive, Scope, Send

from service import logs
from service.settings import load_settings
from service.web.problems import problem
from service.worker.making import make_worker
from service.worker.worker import Worker

__all__ = ["Doorway", "make_app"]

STOPPING_S = 30.0
"""How long stopping in good order may take where nobody is left to wait for it."""

log = logging.getLogger(__name__)


def make_app() -> ASGIApp:
    """Make what a server process runs, from the environment."""
    settings = load_settings()
    logs.set_up(settings)
    _end_with_parent()
    return Doorway(make_worker(settings), settings.shops_domain)


def _end_with_parent() -> None:
    """Stop when whoever started this worker is gone: nobody would start it again.

    What cannot stop in good order is ended: it would keep the address from those that follow.
    """
    parent = multiprocessing.parent_process()
    if parent is None:
        return

    def wait() -> None:
        parent.join()
        os.kill(os.getpid(), signal.SIGTERM)
        time.sleep(STOPPING_S)
        os.kill(os.getpid(), signal.SIGKILL)

    threading.Thread(target=wait, name="parent", daemon=True).start()


class Doorway:
    """Hands each request to its shop; starts and stops the worker with the server.

    Parameters
    ----------
    domain : str, optional
        A shop is reached at its word and this, like ``harbour.example.org``; None: there is one.
    """

    def __init__(self, worker: Worker, domain: str | None) -> None:
        self.worker, self._domain = worker, domain

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Take a request, or the server's beginning and end."""
        if scope["type"] == "lifespan":
            await self._live(receive, send)
            return
        app = await self._app(scope)
        if app is not None:
            await app(scope, receive, send)
        elif scope["type"] == "http":
            await problem(404, "there is no shop of this name here")(scope, receive, send)

    async def _app(self, scope: Scope) -> ASGIApp | None:
        word = self._word(scope)
        if word is None:
            return None
        room = await asyncio.to_thread(self.worker.room, word)
        if room is None:
            return None
        return room.made.web if room.open and room.made else await asyncio.to_thread(room.web)

    def _word(self, scope: Scope) -> str | None:
        """Return the shop's word; None where the address is none of ours."""
        if self._domain is None:
            return ""
        host = Headers(scope=scope).get("host", "").partition(":")[0].lower()
        word, dot, domain = host.partition(".")
        return word if dot and word and domain == self._domain else None

    async def _live(self, receive: Receive, send: Send) -> None:
        await receive()
        if not await self._done(self.worker.start, "startup", send):
            return
        await receive()
        await self._done(self.worker.stop, "shutdown", send)

    async def _done(self, do: Callable[[], None], what: str, send: Send) -> bool:
        try:
            await asyncio.to_thread(do)
        except Exception as error:
            log.exception("%s failed", what)
            await send({"type": f"lifespan.{what}.failed", "message": str(error)})
            return False
        await send({"type": f"lifespan.{what}.complete"})
        return True
