"""The JSON API under ``/api/v1``: a router a feature, each thin: parse, ask, answer."""

from __future__ import annotations

from fastapi import APIRouter

from service.web.api import (
    export,
    flaws,
    instruments,
    kinds,
    materials,
    notices,
    outlook,
    places,
    sensors,
    status,
    stream,
    what_if,
)

__all__ = ["router"]

router = APIRouter(prefix="/api/v1")
for part in (
    places,
    what_if,
    outlook,
    export,
    sensors,
    kinds,
    materials,
    instruments,
    notices,
    flaws,
    status,
    stream,
):
    router.include_router(part.router)
