"""Places: their air now, its history, and the spray check."""

from __future__ import annotations

from datetime import timedelta
from typing import Annotated, Any, cast

from fastapi import APIRouter, Query, Response

from service.store.past_film import past_film_of
from service.store.place_book import PlaceChange
from service.web import answers, inputs, models
from service.web.deps import ShopDep
from service.web.past_answers import PastFilmOut, past_film_out
from service.web.scalars import InstantIn, RowId

__all__ = ["router"]

router = APIRouter(tags=["places"])

WetUm = Annotated[float | None, Query(gt=0, le=1000, allow_inf_nan=False)]
Retarder = Annotated[float, Query(ge=0, le=100, allow_inf_nan=False)]
Plate = Annotated[float | None, Query(gt=0, le=100, allow_inf_nan=False)]


@router.get("/places")
def list_places(shop: ShopDep) -> list[models.PlaceOut]:
    """List every place with its air now."""
    return [answers.place_out(place) for place in shop.desk.places()]


@router.post("/places", status_code=201)
def add_place(body: inputs.PlaceIn, shop: ShopDep, response: Response) -> models.PlaceOut:
    """Make a place before its first reading does."""
    made = shop.work.add_place(body.word, body.name, body.kind, body.volume_m3, body.air_changes_h)
    response.headers["Location"] = f"/api/v1/places/{made.id}"
    shop.hub.publish("air", {"place": made.id})
    return answers.place_out(shop.desk.place(made.id))


@router.get("/places/{place_id}")
def get_place(place_id: str, shop: ShopDep) -> models.PlaceOut:
    """Give one place with its air now."""
    return answers.place_out(shop.desk.place(place_id))


@router.patch("/places/{place_id}")
def change_place(place_id: str, body: inputs.PlaceChangeIn, shop: ShopDep) -> models.PlaceOut:
    """Describe a place anew: its name, kind, volume and fresh air; its word stays."""
    change = cast("PlaceChange", body.model_dump(exclude_unset=True))
    shop.work.places.change(place_id, change)
    shop.hub.publish("air", {"place": place_id})
    return answers.place_out(shop.desk.place(place_id))


@router.get("/places/{place_id}/air")
def get_air(place_id: str, shop: ShopDep) -> models.AirOut:
    """Give the air of a place now; without a reading ``trouble`` says so and figures are null."""
    return answers.air_out(shop.desk.air(place_id))


@router.get("/places/{place_id}/wood")
def get_wood(place_id: str, shop: ShopDep) -> models.WoodOut:
    """Say how the air stands to wood: equilibrium moisture now and tomorrow, and plate movement."""
    return answers.wood_out(shop.desk.wood(place_id))


@router.get("/places/{place_id}/history", response_model=list[dict[str, Any]])
def get_history(
    place_id: str,
    shop: ShopDep,
    from_at: Annotated[InstantIn | None, Query(alias="from")] = None,
    to_at: Annotated[InstantIn | None, Query(alias="to")] = None,
    resolution: Annotated[str, Query(pattern=r"^(auto|raw|[1-9][0-9]{0,5}[smhd])$")] = "auto",
    points: Annotated[int, Query(ge=2, le=5000)] = 600,
) -> Response:
    """List readings (``raw``) or buckets of a place, oldest first; by default the last 24 h.

    ``auto`` takes the finest buckets of which at most ``points`` fit; the answer's header
    ``Boothglass-Resolution`` names the resolution that was taken.
    """
    end = to_at or shop.clock.now()
    start = from_at or end - timedelta(hours=24)
    found = shop.desk.history(place_id, start, end, resolution, points)
    return Response(
        models.rows_as_json(found.rows),
        media_type="application/json",
        headers={"Boothglass-Resolution": found.resolution},
    )


@router.get("/places/{place_id}/film")
def get_past_film(
    place_id: str,
    shop: ShopDep,
    material: Annotated[str, Query(min_length=1, max_length=64)],
    from_at: Annotated[InstantIn | None, Query(alias="from")] = None,
    to_at: Annotated[InstantIn | None, Query(alias="to")] = None,
    points: Annotated[int, Query(ge=2, le=2000)] = 600,
) -> PastFilmOut:
    """Say what the air that was would have done to a usual coat; by default the last 24 h.

    Rows have the instants of the history in as many buckets; ``windows`` are stretches in which
    every limit held; ``coats`` those that were laid here.
    """
    end = to_at or shop.clock.now()
    start = from_at or end - timedelta(hours=24)
    found = past_film_of(shop.desk, place_id, material, start, end, points)
    return past_film_out(found, place_id, material)


@router.get("/places/{place_id}/spray-check")
def get_spray_check(
    place_id: str,
    shop: ShopDep,
    material: Annotated[str, Query(min_length=1, max_length=64)],
    instrument: RowId | None = None,
    wet_um: WetUm = None,
    retarder_pct: Retarder = 0.0,
    plate_mm: Plate = None,
) -> models.SprayCheckOut:
    """Ask whether a material may be sprayed in this place's air now.

    With ``instrument`` its last coat must have reached its mark, and its plate counts.
    """
    check = shop.desk.spray_check(
        place_id,
        material,
        instrument_id=instrument,
        wet_um=wet_um,
        retarder_pct=retarder_pct,
        plate_mm=plate_mm,
    )
    return answers.spray_check_out(
        check,
        place_id,
        shop.desk.material(material),
        instrument,
        shop.desk.windows(place_id, check).next,
    )
