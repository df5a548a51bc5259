"""A place's record as a file, over HTTP."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest
from pyarrow import parquet
from shopkit import LiveShop

from service.store.db import sqlite_url
from service.store.shop_file.taking import take_in

PATH = "/api/v1/places/booth/export"


def test_a_csv_is_named_and_holds_every_reading(dry_shop: LiveShop) -> None:
    answer = dry_shop.http.get(PATH)
    assert answer.headers["content-type"] == "text/csv; charset=utf-8"
    assert answer.headers["content-disposition"].startswith('attachment; filename="booth_raw_')
    assert answer.headers["boothglass-resolution"] == "raw"
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    told = dry_shop.http.get(
        "/api/v1/places/booth/history",
        params={"resolution": "raw", "from": rows[0]["at [UTC]"], "to": rows[-1]["at [UTC]"]},
    ).json()
    assert [row["at [UTC]"] for row in rows] == [row["at"] for row in told]
    assert [float(row["raw_air_c [°C]"]) for row in rows] == [row["raw_air_c"] for row in told]


def test_parquet_and_buckets(dry_shop: LiveShop) -> None:
    answer = dry_shop.http.get(PATH, params={"format": "parquet", "resolution": "1h"})
    table = parquet.read_table(io.BytesIO(answer.content))
    assert table.num_rows >= 24
    assert table.schema.field("air_c_mean").metadata == {b"unit": "°C".encode()}
    assert answer.headers["content-disposition"].endswith('.parquet"')


def test_history_rows_are_plain_json(dry_shop: LiveShop) -> None:
    rows = dry_shop.http.get("/api/v1/places/booth/history", params={"resolution": "raw"}).json()
    assert rows[0]["at"].endswith("Z")
    assert len(rows[0]["at"]) == len("2026-03-02T09:00:00.000Z")
    assert rows[0]["flags"] == []
    assert rows[0]["pressure_pa"] is None


@pytest.mark.parametrize(
    ("path", "query", "status", "field"),
    [
        ("/api/v1/places/attic/export", {}, 404, "place"),
        (PATH, {"format": "xls"}, 422, "format"),
        (PATH, {"resolution": "soon"}, 422, "resolution"),
        (PATH, {"from": "2030-01-01T00:00:00Z", "to": "2029-01-01T00:00:00Z"}, 422, "from"),
    ],
)
def test_what_cannot_be_is_named(
    dry_shop: LiveShop, path: str, query: dict[str, str], status: int, field: str
) -> None:
    answer = dry_shop.http.get(path, params=query)
    assert answer.status_code == status
    assert answer.json()["errors"][0]["field"] == field


def test_the_whole_shop_as_one_file(shop: LiveShop, tmp_path: Path) -> None:
    shop.read(20.0, 50.0)
    shop.add_piece()
    page = shop.http.get("/settings").text
    assert 'href="/api/v1/shop/export" download' in page
    answer = shop.http.get("/api/v1/shop/export")
    assert answer.headers["content-type"] == "application/zip"
    assert 'filename="boothglass-shop-' in answer.headers["content-disposition"]
    (tmp_path / "shop.zip").write_bytes(answer.content)
    (tmp_path / "new").mkdir()
    taken = take_in(sqlite_url(tmp_path / "new"), tmp_path / "new", tmp_path / "shop.zip")
    assert taken.rows > 5
    assert not taken.secrets
