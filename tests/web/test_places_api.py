"""Places, their air, its history, and the spray check, over HTTP."""

from __future__ import annotations

import json
import math
from datetime import datetime, timedelta
from typing import Any

import pytest
from shopkit import LiveShop

LACQUER = "nitro-lacquer-gun"

CHECK_KEYS = {
    "answer", "reasons", "air_c", "rh_pct", "dew_point_c", "surface_c", "dew_point_margin_k",
    "film_floor_c", "blush_margin_k", "as_of", "ways_out",
}  # fmt: skip
REASON_KEYS = {"what", "value", "limit", "unit", "source", "blocks"}


def ask(shop: LiveShop, place: str = "booth", **query: Any) -> dict[str, Any]:
    answer = shop.http.get(
        f"/api/v1/places/{place}/spray-check", params={"material": LACQUER, **query}
    )
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    return found


def test_a_place_comes_into_being_by_post_or_by_its_first_reading(shop: LiveShop) -> None:
    assert shop.http.get("/api/v1/places").json() == []
    made = shop.http.post(
        "/api/v1/places", json={"id": "booth", "name": "The booth", "volume_m3": 22}
    )
    assert made.status_code == 201
    assert made.headers["location"] == "/api/v1/places/booth"
    assert made.json() == {
        "id": "booth", "name": "The booth", "kind": "booth", "volume_m3": 22.0,
        "air_changes_h": None, "air": None,
    }  # fmt: skip
    shop.read(21.0, 50.0, place="drying-rack")
    assert [p["id"] for p in shop.http.get("/api/v1/places").json()] == ["booth", "drying-rack"]
    assert shop.http.get("/api/v1/places/drying-rack").json()["kind"] == "rack"


def test_the_air_of_a_place_without_a_reading_is_null_and_says_why(shop: LiveShop) -> None:
    shop.http.post("/api/v1/places", json={"id": "booth"})
    air = shop.http.get("/api/v1/places/booth/air").json()
    assert air["air_c"] is None
    assert air["as_of"] is None
    assert air["trouble"] == "no reading has come from this place"


def test_the_air_of_a_place_agrees_with_a_published_dew_point(shop: LiveShop) -> None:
    shop.read(25.0, 50.0, surface_c=23.0)
    air = shop.http.get("/api/v1/places/booth/air").json()
    # WMO-No. 8 (2018), annex 4.B, inverted by hand for 50 % of e_w(25 °C) = 31.67 hPa: 13.86 °C.
    # Its Magnus form is within 0.1 K of the ASHRAE form over this range.
    assert air["dew_point_c"] == pytest.approx(13.86, abs=0.1)
    assert air["dew_point_margin_k"] == pytest.approx(23.0 - air["dew_point_c"], abs=1e-9)
    assert air["surface_measured"] is True
    assert air["trouble"] is None
    assert air["sensors"] == ["wall"]


def test_history_is_a_bare_list_oldest_first_with_its_resolution_named(dry_shop: LiveShop) -> None:
    answer = dry_shop.http.get("/api/v1/places/booth/history")
    rows = answer.json()
    assert answer.headers["boothglass-resolution"] == "raw"
    times = [row["at"] for row in rows]
    assert times == sorted(times)
    assert len(rows) == 289 - 1  # a reading every five minutes; the oldest is over 24 h old by now
    assert all(set(row) >= {"at", "sensor", "air_c", "rh_pct", "dew_point_c"} for row in rows)


def test_history_in_buckets_carries_min_mean_max_and_count(dry_shop: LiveShop) -> None:
    answer = dry_shop.http.get("/api/v1/places/booth/history", params={"resolution": "1h"})
    assert answer.headers["boothglass-resolution"] == "1h"
    for row in answer.json():
        assert row["air_c"]["min"] <= row["air_c"]["mean"] <= row["air_c"]["max"]
        assert row["count"] >= 1
    few = dry_shop.http.get("/api/v1/places/booth/history", params={"points": 10}).json()
    assert 2 <= len(few) <= 10 + 1  # the span may begin inside a bucket


def test_history_takes_its_span_from_the_query(dry_shop: LiveShop) -> None:
    end = dry_shop.clock.now()
    span = {"from": (end - timedelta(hours=2)).isoformat(), "to": end.isoformat()}
    rows = dry_shop.http.get("/api/v1/places/booth/history", params=span).json()
    assert len(rows) in {24, 25}
    assert datetime.fromisoformat(rows[0]["at"]) >= end - timedelta(hours=2)


def test_dry_air_answers_spray_with_every_key(dry_shop: LiveShop) -> None:
    check = ask(dry_shop)
    assert check["answer"] == "spray"
    assert set(check) >= CHECK_KEYS
    assert check["reasons"]
    assert all(set(reason) >= REASON_KEYS for reason in check["reasons"])
    assert not any(reason["blocks"] for reason in check["reasons"])
    assert check["film_floor_c"] < check["air_c"]
    assert check["blush_margin_k"] == pytest.approx(
        check["film_floor_c"] - check["dew_point_c"], abs=1e-6
    )
    assert check["ways_out"] == []
    assert check["as_of"].endswith("Z")
    assert check["cautions"]


def test_damp_air_answers_wait_with_the_margin_and_ways_out(shop: LiveShop) -> None:
    shop.read(24.0, 85.0)
    check = ask(shop)
    assert check["answer"] == "wait"
    assert check["film_floor_c"] < check["dew_point_c"]
    assert check["blush_margin_k"] < 0
    assert check["reasons"][0]["blocks"] is True
    assert check["ways_out"]
    assert all({"kind", "text", "amount", "unit", "until"} <= set(way) for way in check["ways_out"])


def test_no_reading_and_a_stale_one_answer_unknown_with_every_key(shop: LiveShop) -> None:
    shop.http.post("/api/v1/places", json={"id": "booth"})
    never = ask(shop)
    assert never["answer"] == "unknown"
    assert set(never) >= CHECK_KEYS
    assert never["air_c"] is None
    assert never["as_of"] is None
    shop.read(22.0, 40.0)
    assert ask(shop)["answer"] == "spray"
    shop.jump(seconds=shop.settings.stale_after_s + 1)
    stale = ask(shop)
    assert stale["answer"] == "unknown"
    assert stale["film_floor_c"] is None
    assert stale["reasons"][0]["what"] == "reading_age"


def test_the_coat_asked_about_counts(dry_shop: LiveShop) -> None:
    thin = ask(dry_shop, wet_um=40)
    thick = ask(dry_shop, wet_um=200, retarder_pct=10, plate_mm=20)
    assert (thin["wet_um"], thick["retarder_pct"], thick["plate_mm"]) == (40.0, 10.0, 20.0)
    assert thin["film_floor_c"] != thick["film_floor_c"]


def test_an_instrument_whose_coat_is_fresh_makes_it_wait(shop: LiveShop) -> None:
    shop.read_day("booth", 22.0, 40.0)
    piece = shop.add_piece()
    for step in ("seal", "scuff", "mask"):
        shop.work.finish_step(piece, step)
    shop.http.post(f"/api/v1/instruments/{piece}/coats", json={})
    assert ask(shop)["answer"] == "spray"
    check = ask(shop, instrument=piece)
    assert check["answer"] == "wait"
    assert check["reasons"][0]["what"] == "recoat_mark"
    assert check["ways_out"][0]["kind"] == "wait"
    assert check["ways_out"][0]["until"].endswith("Z")


def test_no_answer_ever_carries_nan(shop: LiveShop) -> None:
    shop.read(22.0, 0.0)  # bone-dry air has no dew point
    for path in ("air", f"spray-check?material={LACQUER}", "history"):
        text = shop.http.get(f"/api/v1/places/booth/{path}").text

        def refuse(name: str) -> float:
            raise AssertionError(name)

        json.loads(text, parse_constant=refuse)
    air = shop.http.get("/api/v1/places/booth/air").json()
    assert air["dew_point_c"] is None
    assert math.isfinite(air["wet_bulb_c"])


def test_a_place_without_a_word_is_called_by_its_name(shop: LiveShop) -> None:
    made = shop.http.post("/api/v1/places", json={"name": "Drying rack 2", "kind": "rack"})
    assert made.status_code == 201
    assert made.json()["id"] == "drying-rack-2"
    nameless = shop.http.post("/api/v1/places", json={"kind": "rack"})
    assert nameless.status_code == 422
    assert nameless.json()["errors"][0]["field"] == "id"


def test_a_place_is_described_anew(shop: LiveShop) -> None:
    shop.read(21.0, 50.0)
    url = "/api/v1/places/booth"
    body = {"name": "Spray booth", "volume_m3": 22, "air_changes_h": 30}
    changed = shop.http.patch(url, json=body)
    assert changed.status_code == 200
    assert shop.http.get(url).json()["volume_m3"] == 22.0
    # What is left out stays; null is: not known any more; the word never changes.
    again = shop.http.patch(url, json={"kind": "rack", "volume_m3": None}).json()
    assert {k: again[k] for k in ("id", "name", "kind", "volume_m3", "air_changes_h")} == {
        "id": "booth", "name": "Spray booth", "kind": "rack", "volume_m3": None,
        "air_changes_h": 30.0,
    }  # fmt: skip
    assert again["air"]["air_c"] == 21.0


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("name", ""),
        ("name", "x" * 121),
        ("name", None),
        ("kind", "garage"),
        ("volume_m3", 0),
        ("volume_m3", "wide"),
        ("air_changes_h", -1),
        ("id", "other"),
    ],
)
def test_a_wrong_figure_of_a_place_is_named_and_nothing_changes(
    shop: LiveShop, field: str, value: object
) -> None:
    before = shop.http.post("/api/v1/places", json={"id": "booth", "volume_m3": 22}).json()
    answer = shop.http.patch("/api/v1/places/booth", json={"name": "New", field: value})
    assert answer.status_code == 422
    assert field in answer.text
    assert shop.http.get("/api/v1/places/booth").json() == before
    assert shop.http.patch("/api/v1/places/none", json={"name": "New"}).status_code == 404


def test_the_page_of_a_place_takes_its_figures(shop: LiveShop) -> None:
    shop.http.post("/api/v1/places", json={"id": "booth", "air_changes_h": 12})
    page = shop.http.get("/air/booth").text
    assert 'name="air_changes_h" value="12.0"' in page
    fields = {"name": "Spray booth", "kind": "booth", "volume_m3": "22.5"}
    send = {"headers": {"Origin": shop.url}, "follow_redirects": True}
    answer = shop.http.post("/air/booth/place", data=fields, **send)
    assert answer.status_code == 200
    assert "<h1>Spray booth</h1>" in answer.text
    found = shop.http.get("/api/v1/places/booth").json()
    assert (found["volume_m3"], found["air_changes_h"]) == (22.5, None)
    for field, value in (("name", ""), ("volume_m3", "big"), ("kind", "garage")):
        wrong = shop.http.post("/air/booth/place", data=fields | {field: value}, **send)
        assert wrong.status_code == 422
        assert f'id="{field}-wrong"' in wrong.text
    assert shop.http.get("/api/v1/places/booth").json() == found
    assert shop.http.post("/air/none/place", data=fields, **send).status_code == 404
