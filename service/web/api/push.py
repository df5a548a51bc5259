"""What a browser needs to subscribe to push; the subscription itself is a person's channel."""

from __future__ import annotations

from fastapi import APIRouter

from service.notify.vapid import Vapid
from service.store.facts import Facts
from service.web.deps import ShopDep
from service.web.models import _Out

__all__ = ["PushKeyOut", "router"]

router = APIRouter(tags=["people"])


class PushKeyOut(_Out):
    """The public key of this shop (``applicationServerKey``), base64url."""

    key: str


@router.get("/push/key")
def get_push_key(shop: ShopDep) -> PushKeyOut:
    """Give the key by which push services know this shop."""
    return PushKeyOut(key=Vapid(Facts(shop.desk.db)).public_key())
