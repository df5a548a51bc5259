"""The shop's settings: what is in force, where it comes from, and changing it."""

from __future__ import annotations

from fastapi import APIRouter

from service.web.deps import ShopDep
from service.web.settings_models import SettingsIn, SettingsOut, settings_out

__all__ = ["router"]

router = APIRouter(tags=["service"])


@router.get("/settings")
def get_settings(shop: ShopDep) -> SettingsOut:
    """Give the settings in force, and where each comes from."""
    return settings_out(shop.book)


@router.patch("/settings")
def change_settings(body: SettingsIn, shop: ShopDep) -> SettingsOut:
    """Change settings; they are in force at once. One that is set from outside answers 409."""
    shop.book.change(body.given())
    shop.hub.publish("work", {"settings": sorted(body.model_fields_set)})
    return settings_out(shop.book)
