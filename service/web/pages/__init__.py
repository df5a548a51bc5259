"""The pages: drawn on the server, usable without script, made live by it.

A page asks the desk and hands what it hears to a template; what is tapped is a form post, answered
by a redirect back to where it was tapped.
"""

from __future__ import annotations

from fastapi import APIRouter

from service.web.pages import (
    acts,
    answer,
    calendar,
    compare,
    flaws,
    home,
    instruments,
    job_card,
    learning,
    listening,
    offline,
    outlook,
    people,
    places,
    plan,
    recipes,
    salt_check,
    sensor_add,
    sensors,
    settings,
    shop,
    start,
    wall,
    what_if,
)

__all__ = ["router"]

router = APIRouter()
for part in (
    home,
    offline,
    wall,
    job_card,
    what_if,
    instruments,
    acts,
    places,
    outlook,
    plan,
    recipes,
    learning,
    sensors,
    sensor_add,
    listening,
    salt_check,
    compare,
    flaws,
    shop,
    people,
    settings,
    start,
    answer,
    calendar,
):
    router.include_router(part.router)
