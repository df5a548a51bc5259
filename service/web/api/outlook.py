"""The outlook of a place, its spray windows, and forecasts of the air outdoors."""

from __future__ import annotations

from datetime import UTC
from typing import Annotated

from fastapi import APIRouter, Query

from service.store.forecasts import NewForecast
from service.web import outlook_answers as answers
from service.web.api.places import Plate, Retarder, WetUm
from service.web.deps import ShopDep
from service.web.scalars import RowId
from service.web.words import Words

__all__ = ["router"]

router = APIRouter(tags=["outlook"])


@router.get("/places/{place_id}/outlook")
def get_outlook(place_id: str, shop: ShopDep) -> answers.OutlookOut:
    """Give the air that is expected in a place by the hour, 48 h ahead, as quantiles.

    From the place's own history, and from a forecast of the air outdoors where one is sent and has
    been of use here. With too little history ``hours`` is empty and ``why_none`` says so.
    """
    issue, why_none = shop.desk.outlook(place_id)
    return answers.outlook_out(place_id, issue, why_none)


@router.get("/places/{place_id}/windows")
def get_windows(
    place_id: str,
    shop: ShopDep,
    material: Annotated[str, Query(min_length=1, max_length=64)],
    instrument: RowId | None = None,
    wet_um: WetUm = None,
    retarder_pct: Retarder = 0.0,
    plate_mm: Plate = None,
) -> answers.WindowsOut:
    """Tell when the spray check will likely say *spray* here, over the next 48 h.

    With ``instrument`` no window begins before its last coat is ready.
    """
    check = shop.desk.spray_check(
        place_id,
        material,
        instrument_id=instrument,
        wet_um=wet_um,
        retarder_pct=retarder_pct,
        plate_mm=plate_mm,
    )
    found = shop.desk.windows(place_id, check, wait=True)
    words = Words(shop.book.now.tz, us=shop.book.now.us)
    return answers.windows_out(place_id, check, found, words, shop.clock.now())


@router.post("/forecast", status_code=201)
def post_forecast(body: NewForecast, shop: ShopDep) -> answers.ForecastKeptOut:
    """Take a forecast of the air outdoors, so that the outlook of each place may learn from it.

    It is kept apart from readings. Hours of the same issue that are there already stay.
    """
    issued_at, new = shop.work.keep_forecast(body)
    return answers.ForecastKeptOut(issued_at=issued_at.astimezone(UTC), hours_new=new)
