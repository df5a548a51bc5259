"""What if: the spray check and the waits asked again in changed air, or for another coat."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query

from service.shop.what_if import Change
from service.store.what_if import Asked, RoomGiven, ask_what_if
from service.web.deps import ShopDep
from service.web.scalars import RowId
from service.web.what_if_answers import WhatIfOut, what_if_out

__all__ = ["router"]

router = APIRouter(tags=["places"])


@router.get("/places/{place_id}/what-if")
def get_what_if(
    place_id: str,
    shop: ShopDep,
    material: Annotated[str, Query(min_length=1, max_length=64)],
    instrument: RowId | None = None,
    heat_k: Annotated[float, Query(ge=0, le=30, allow_inf_nan=False)] = 0.0,
    dehumidify_l_day: Annotated[float, Query(ge=0, le=500, allow_inf_nan=False)] = 0.0,
    warm_work_min: Annotated[float, Query(ge=0, le=1440, allow_inf_nan=False)] = 0.0,
    retarder_pct: Annotated[float | None, Query(ge=0, le=100, allow_inf_nan=False)] = None,
    wet_um: Annotated[float | None, Query(gt=0, le=1000, allow_inf_nan=False)] = None,
    now_retarder_pct: Annotated[float, Query(ge=0, le=100, allow_inf_nan=False)] = 0.0,
    now_wet_um: Annotated[float | None, Query(gt=0, le=1000, allow_inf_nan=False)] = None,
    plate_mm: Annotated[float | None, Query(gt=0, le=100, allow_inf_nan=False)] = None,
    volume_m3: Annotated[float | None, Query(gt=0, le=1e5, allow_inf_nan=False)] = None,
    air_changes_h: Annotated[float | None, Query(ge=0, le=1000, allow_inf_nan=False)] = None,
    makeup: Annotated[str | None, Query(max_length=64)] = None,
) -> WhatIfOut:
    """Ask the spray check now, and again with more heat, a dehumidifier, a wait or another coat.

    Warmed air keeps its water. ``dehumidify_l_day`` is what the machine takes out in this air; the
    room comes to a balance with fresh air, which is that of the place ``makeup`` (default:
    outdoors, else a store; else as damp as the air is now). ``retarder_pct`` and ``wet_um`` are of
    the changed coat, ``now_...`` of the one it is compared with. What is not known of the room is
    assumed, and each assumption is listed. Energy is an estimate.
    """
    asked = Asked(place_id, material, instrument, now_wet_um, now_retarder_pct, plate_mm)
    found = ask_what_if(
        shop.desk,
        asked,
        Change(heat_k, dehumidify_l_day, warm_work_min, retarder_pct, wet_um),
        RoomGiven(volume_m3, air_changes_h, makeup),
    )
    return what_if_out(found, asked, shop.desk.material(material))
