"""A place's record, or the whole shop, as a file, streamed as it is read."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import APIRouter, Query
from fastapi.responses import StreamingResponse

from service.store.export_files import FORMATS, file_name, written
from service.store.exporting import export
from service.store.shop_file import writing as shop_file
from service.web.deps import ShopDep
from service.web.scalars import InstantIn

__all__ = ["router"]

router = APIRouter(tags=["places"])


@router.get("/shop/export", response_class=StreamingResponse)
def get_shop(shop: ShopDep) -> StreamingResponse:
    """Give the whole shop as one file, as ``boothglass export-shop`` writes it.

    Ways to reach people, keys and links are left out.
    """
    now = shop.clock.now()
    return StreamingResponse(
        shop_file.written(shop.desk.db, shop.settings.data, now),
        media_type="application/zip",
        headers={"Content-Disposition": f'attachment; filename="{shop_file.file_name(now)}"'},
    )


@router.get("/places/{place_id}/export", response_class=StreamingResponse)
def get_export(
    place_id: str,
    shop: ShopDep,
    file_format: Annotated[Literal["csv", "parquet"], Query(alias="format")] = "csv",
    from_at: Annotated[InstantIn | None, Query(alias="from")] = None,
    to_at: Annotated[InstantIn | None, Query(alias="to")] = None,
    resolution: Annotated[str, Query(pattern=r"^(auto|raw|[1-9][0-9]{0,5}[smhd])$")] = "raw",
) -> StreamingResponse:
    """Give a place's record as CSV or Parquet, units in the header; by default all of it.

    ``raw`` has values as sent and as corrected, and flags; ``boothglass import`` reads it back.
    """
    found = export(shop.desk.db, place_id, from_at=from_at, to_at=to_at, resolution=resolution)
    name = file_name(found, file_format)
    return StreamingResponse(
        written(found, file_format),
        media_type=FORMATS[file_format],
        headers={
            "Content-Disposition": f'attachment; filename="{name}"',
            "Boothglass-Resolution": found.resolution,
        },
    )
