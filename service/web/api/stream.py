"""The live stream: server-sent events that say what changed."""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import AsyncIterator

from fastapi import APIRouter, Request
from sse_starlette import EventSourceResponse, ServerSentEvent
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException

from service.web import models
from service.web.deps import Shop, ShopDep
from service.web.live import Event, HubFullError, Subscription
from service.web.signin.caller import caller_of

__all__ = ["router"]

router = APIRouter(tags=["live"])

BEAT_S = 10.0
"""Real seconds between beats: a page that hears none for three of them counts itself cut off."""

SEND_TIMEOUT_S = 20.0
"""A page that takes nothing for so long is dropped."""


@router.get("/events", response_class=EventSourceResponse)
async def events(request: Request, shop: ShopDep) -> EventSourceResponse:
    """Stream events: ``air`` {place}, ``work`` {instrument}, ``notice``, ``clock``, ``beat``.

    ``outlook`` {place} comes when there is a new outlook or its windows can be told, ``listening``
    while somebody listens for new sensors. Each says only that something changed; ask the API for
    what it is now. ``beat`` carries the shop's time and comes at once and then every few seconds.
    Whoever is signed out meanwhile hears no more.
    """
    try:
        subscription = shop.hub.subscribe()
    except HubFullError as full:
        raise HTTPException(503, str(full), {"Retry-After": "30"}) from full
    return EventSourceResponse(
        _stream(request, shop, subscription), ping=60, send_timeout=SEND_TIMEOUT_S
    )


async def _stream(
    request: Request, shop: Shop, subscription: Subscription
) -> AsyncIterator[ServerSentEvent]:
    caller = caller_of(request)
    looked_at = time.monotonic()
    try:
        yield ServerSentEvent(event="beat", data=_beat(shop), retry=2000)
        while True:
            try:
                event = await asyncio.wait_for(anext(subscription), BEAT_S)
            except TimeoutError:
                event = Event("beat", {})
            except StopAsyncIteration:
                return
            if time.monotonic() >= looked_at + BEAT_S:
                looked_at = time.monotonic()
                if not await run_in_threadpool(shop.doors.still, request, caller):
                    return
            data = _beat(shop) if event.name == "beat" else json.dumps(event.data)
            yield ServerSentEvent(event=event.name, data=data)
    finally:
        subscription.close()


def _beat(shop: Shop) -> str:
    return json.dumps({"now": models.iso(shop.clock.now()), "rate": shop.clock.rate})
