"""The JSON API under ``/api/v1``: a router a feature, each thin: parse, ask, answer."""

from __future__ import annotations

from fastapi import APIRouter

from service.web.api import (
    access,
    compare,
    export,
    flaws,
    instruments,
    kinds,
    learning,
    materials,
    notices,
    outlook,
    pairing,
    people,
    places,
    plan,
    push,
    sensors,
    settings,
    status,
    stream,
    what_if,
)

__all__ = ["router"]

router = APIRouter(prefix="/api/v1")
for part in (
    places,
    outlook,
    what_if,
    export,
    sensors,
    pairing,
    kinds,
    materials,
    learning,
    instruments,
    plan,
    notices,
    people,
    access,
    push,
    compare,
    flaws,
    settings,
    status,
    stream,
):
    router.include_router(part.router)
