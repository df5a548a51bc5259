"""Writes the trail: every request to write, with who it was and what was answered."""

from __future__ import annotations

import logging
import time

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.types import Message, Send

from service.web.signin.caller import Caller
from service.web.signin.doors import Doors
from service.web.signin.whence import address_of

__all__ = ["Recorder", "it_was"]

log = logging.getLogger(__name__)

STRANGERS_EVERY_S = 60.0
"""Real seconds between entries of an address that nobody is known at: it must not fill the disk."""

MOST_ADDRESSES = 1000


def it_was(request: Request, who: str) -> None:
    """Say whose act it was where the gate could not know: a person who is just coming in."""
    request.state.who = who


class Recorder:
    """Adds an entry to the trail before the answer goes out: who hears of success is in it."""

    def __init__(self, doors: Doors) -> None:
        self._doors = doors
        self._strangers: dict[str, float] = {}

    def recording(self, request: Request, caller: Caller, send: Send) -> Send:
        """Return a ``send`` that writes the entry when the answer begins."""

        async def sending(message: Message) -> None:
            if message["type"] == "http.response.start":
                status = int(message["status"])
                if self._counts(request, caller, status):
                    await run_in_threadpool(self._write, request, caller, status)
            await send(message)

        return sending

    def _write(self, request: Request, caller: Caller, status: int) -> None:
        method, path = request.method, request.url.path
        right = self._doors.rights.find(method, path)
        if right is not None:
            path = right.plain_path(path, method)
        try:
            self._doors.trail.write(
                who=caller.name or str(getattr(request.state, "who", "")),
                role=caller.role,
                account_id=caller.account_id,
                act=f"{method} {path}",
                status=status,
                address=address_of(request),
            )
        except Exception:  # what was asked for is done by now, and its answer must get through
            log.exception("cannot write the trail", extra={"path": path})

    def _counts(self, request: Request, caller: Caller, status: int) -> bool:
        """Whether an entry is due; a stranger who knocks again and again gets one a minute."""
        if caller.role != "nobody" or status not in {401, 429}:
            return True
        address, now = address_of(request), time.monotonic()
        if now < self._strangers.get(address, 0.0):
            return False
        if len(self._strangers) >= MOST_ADDRESSES:
            self._strangers.clear()
        self._strangers[address] = now + STRANGERS_EVERY_S
        return True
