"""Instruments, coats, steps, hangings, undo and ready times over HTTP."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import pytest
from shopkit import LiveShop

API = "/api/v1"


def post(shop: LiveShop, path: str, body: dict[str, Any] | None = None, status: int = 201) -> Any:
    answer = shop.http.post(f"{API}/{path}", json=body or {})
    assert answer.status_code == status, answer.text
    return answer.json() if answer.content else None


def take_in(shop: LiveShop, **more: Any) -> int:
    body = {"shop_number": "41", "kind": "tenor ukulele", "schedule": "lacquer-clear"} | more
    made: int = post(shop, "instruments", body)["id"]
    return made


def test_a_piece_is_taken_in_and_says_what_to_do_first(shop: LiveShop) -> None:
    shop.read(22.0, 40.0)
    answer = shop.http.post(
        f"{API}/instruments",
        json={
            "shop_number": "41", "kind": "tenor ukulele", "woods": "mahogany", "plate_mm": 2.5,
            "schedule": "lacquer-clear", "place": "booth",
        },
    )  # fmt: skip
    assert answer.status_code == 201
    made = answer.json()
    assert answer.headers["location"] == f"{API}/instruments/{made['id']}"
    assert made["place"] == "booth"
    assert made["next"]["state"] == "ready"
    assert made["next"]["step"] == "seal"
    assert made["next"]["material"] == "vinyl-sealer-can"
    assert made["marks"] == []
    assert shop.http.get(f"{API}/instruments/{made['id']}").json() == made
    assert shop.http.get(f"{API}/instruments").json() == [made]


def test_a_coat_takes_one_empty_post_and_starts_its_clocks(shop: LiveShop) -> None:
    shop.read_day("booth", 22.0, 45.0)
    piece = take_in(shop, place="booth")
    coat = post(shop, f"instruments/{piece}/coats")
    assert coat["step"] == "seal"
    assert coat["material"] == "vinyl-sealer-can"
    assert coat["wet_um"] == shop.catalogue.materials["vinyl-sealer-can"].usual_wet_um
    assert coat["air"]["air_c"] == pytest.approx(22.0, abs=1.0)
    ready = shop.http.get(f"{API}/instruments/{piece}/ready").json()
    marks = shop.catalogue.materials["vinyl-sealer-can"].marks
    assert {mark["mark"] for mark in ready} == set(marks)
    for mark in ready:
        assert 0.0 <= mark["clock"] <= 1.0
        assert mark["ready_from"] <= mark["ready_at"] <= mark["ready_until"]
        assert mark["coat"] == coat["id"]
    waited = [mark for mark in ready if mark["for_step"] == "scuff"]
    assert [mark["mark"] for mark in waited] == ["sand"]


def test_the_clock_runs_with_shop_time_and_the_step_becomes_ready(shop: LiveShop) -> None:
    shop.read_day("booth", 22.0, 45.0)
    piece = take_in(shop, place="booth")
    post(shop, f"instruments/{piece}/coats")
    before = shop.http.get(f"{API}/instruments/{piece}").json()["next"]
    assert before["state"] == "waiting"
    assert before["wait"]["clock"] < 0.1
    for _ in range(12):  # an hour and a half: common practice gives vinyl sealer 30 to 45 min
        shop.jump(minutes=7.5)
        shop.read(22.0, 45.0)
    after = shop.http.get(f"{API}/instruments/{piece}").json()["next"]
    assert after["state"] == "ready"
    assert after["wait"]["clock"] == 1.0


def test_a_coat_with_all_its_details(shop: LiveShop) -> None:
    shop.read_day("booth", 22.0, 45.0)
    shop.read_day("rack", 21.0, 50.0)
    piece = take_in(shop, place="booth", at=(shop.clock.now() - timedelta(days=1)).isoformat())
    at = shop.clock.now() - timedelta(minutes=30)
    coat = post(
        shop,
        f"instruments/{piece}/coats",
        {
            "material": "nitro-lacquer-gun", "wet_um": 95, "retarder_pct": 5, "place": "rack",
            "at": at.isoformat(), "who": "bench 2", "note": "crossed twice",
        },
    )  # fmt: skip
    assert coat["wet_um"] == 95.0
    assert coat["retarder_pct"] == 5.0
    assert (coat["place"], coat["who"], coat["note"]) == ("rack", "bench 2", "crossed twice")
    assert abs(datetime.fromisoformat(coat["at"]) - at) < timedelta(milliseconds=2)
    listed = shop.http.get(f"{API}/instruments/{piece}/coats").json()
    assert [c["id"] for c in listed] == [coat["id"]]
    assert shop.http.get(f"{API}/instruments/{piece}").json()["place"] == "rack"


def test_passes_scale_the_usual_film(shop: LiveShop) -> None:
    shop.read(22.0, 45.0)
    piece = take_in(shop, place="booth")
    usual = shop.catalogue.materials["vinyl-sealer-can"].usual_wet_um
    coat = post(shop, f"instruments/{piece}/coats", {"passes": 3})
    assert coat["passes"] == 3
    assert coat["wet_um"] == pytest.approx(1.5 * usual)  # two passes are the usual film


def test_steps_are_done_in_order_or_by_name(shop: LiveShop) -> None:
    shop.read(22.0, 45.0)
    piece = take_in(shop, place="booth")
    assert post(shop, f"instruments/{piece}/steps")["step"] == "seal"
    assert post(shop, f"instruments/{piece}/steps", {"step": "mask", "who": "me"})["step"] == "mask"
    assert shop.http.get(f"{API}/instruments/{piece}").json()["next"]["step"] == "scuff"
    again = shop.http.post(f"{API}/instruments/{piece}/steps", json={"step": "mask"})
    assert again.status_code == 409
    assert again.json()["errors"][0]["field"] == "step"


def test_a_move_is_planned_shown_and_taken_back(shop: LiveShop) -> None:
    for place in ("booth", "rack"):
        shop.read_day(place, 22.0, 45.0)
    piece = shop.add_piece()
    shop.work.record_coat(piece)
    at = (shop.clock.now() + timedelta(hours=3)).isoformat()
    planned = post(shop, f"instruments/{piece}/hang", {"place": "rack", "at": at})
    got = shop.http.get(f"/api/v1/instruments/{piece}").json()
    assert (got["place"], got["moves"]) == ("booth", [planned])
    for path in ("/", f"/instruments/{piece}"):
        text = shop.http.get(path, headers={"accept": "text/html"}).text
        assert "as planned" in text
    far = (shop.clock.now() + timedelta(days=40)).isoformat()
    wrong = shop.http.post(f"/api/v1/instruments/{piece}/hang", json={"place": "rack", "at": far})
    assert wrong.status_code == 422
    assert [error["field"] for error in wrong.json()["errors"]] == ["at"]
    assert shop.http.delete(f"/api/v1/hangings/{planned['id']}").status_code == 204
    assert shop.http.get(f"/api/v1/instruments/{piece}").json()["moves"] == []


def test_a_move_is_planned_on_the_piece_s_page(shop: LiveShop) -> None:
    shop.http.post("/api/v1/places", json={"id": "booth"})
    shop.http.post("/api/v1/places", json={"id": "rack"})
    piece = shop.add_piece()
    at = shop.clock.now() + timedelta(hours=3)
    fields = {"place": "rack", "at": f"{at:%Y-%m-%dT%H:%M}"}
    answer = shop.http.post(
        f"/instruments/{piece}/hang", data=fields, headers={"accept": "text/html"}
    )
    assert answer.status_code == 303
    shown = shop.http.get(answer.headers["location"], headers={"accept": "text/html"}).text
    assert "to hang in rack" in shown
    assert 'href="/air/rack"' in shown


def test_hanging_elsewhere_moves_the_piece(shop: LiveShop) -> None:
    shop.read(22.0, 45.0)
    shop.read(21.0, 50.0, place="rack")
    piece = take_in(shop, place="booth")
    hung = post(shop, f"instruments/{piece}/hang", {"place": "rack"})
    assert hung["place"] == "rack"
    assert shop.http.get(f"{API}/instruments/{piece}").json()["place"] == "rack"


def test_undo_takes_back_the_last_and_keeps_it_in_the_record(shop: LiveShop) -> None:
    shop.read(22.0, 45.0)
    piece = take_in(shop, place="booth")
    coat = post(shop, f"instruments/{piece}/coats")
    assert "coat" in post(shop, f"instruments/{piece}/undo", status=200)["undone"]
    listed = shop.http.get(f"{API}/instruments/{piece}/coats").json()
    assert [(c["id"], c["undone"]) for c in listed] == [(coat["id"], True)]
    assert shop.http.get(f"{API}/instruments/{piece}").json()["next"]["step"] == "seal"
    nothing = shop.http.post(f"{API}/instruments/{piece}/undo")
    assert nothing.status_code == 409


def test_a_coat_can_be_deleted_once(shop: LiveShop) -> None:
    shop.read(22.0, 45.0)
    piece = take_in(shop, place="booth")
    coat = post(shop, f"instruments/{piece}/coats")["id"]
    assert shop.http.delete(f"{API}/coats/{coat}").status_code == 204
    assert shop.http.delete(f"{API}/coats/{coat}").status_code == 409
    assert shop.http.delete(f"{API}/coats/999").status_code == 404


def test_materials_and_schedules_are_listed_with_what_they_rest_on(dry_shop: LiveShop) -> None:
    materials = {m["id"]: m for m in dry_shop.http.get(f"{API}/materials").json()}
    assert set(materials) == set(dry_shop.catalogue.materials)
    lacquer = materials["nitro-lacquer-gun"]
    assert lacquer["sprayed"] is True
    assert materials["fingerboard-oil"]["sprayed"] is False
    assert all(figure["basis"] for figure in lacquer["limits"].values())
    assert [m["hours"] for m in lacquer["marks"]] == sorted(m["hours"] for m in lacquer["marks"])
    schedules = {s["id"]: s for s in dry_shop.http.get(f"{API}/schedules").json()}
    assert set(schedules) == set(dry_shop.catalogue.schedules)
    one = dry_shop.http.get(f"{API}/schedules/lacquer-clear").json()
    assert one == schedules["lacquer-clear"]
    assert one["steps"][0]["key"] == "seal"
    assert dry_shop.http.get(f"{API}/materials/nitro-lacquer-gun").json() == lacquer


def test_a_film_may_be_told_by_either_of_its_names(shop: LiveShop) -> None:
    shop.read(22.0, 45.0)
    piece = shop.http.post(
        "/api/v1/instruments",
        json={"shop_number": "88", "kind": "lute", "schedule": "lacquer-clear", "place": "booth"},
    ).json()
    coats = f"/api/v1/instruments/{piece['id']}/coats"
    made = shop.http.post(coats, json={"film_um": 70})
    assert made.status_code == 201
    assert made.json()["wet_um"] == 70
    refused = shop.http.post(coats, json={"film_um": -70})
    assert refused.status_code == 422
    assert refused.json()["errors"][0]["field"] in {"wet_um", "film_um"}


def test_parts_are_coated_by_themselves(shop: LiveShop) -> None:
    shop.read_day("booth", 22.0, 45.0)
    piece = take_in(shop, place="booth", parts=["back", "top"])
    coats = f"instruments/{piece}/coats"
    coat = post(
        shop, coats, {"parts": ["back"], "build": "light", "distance_cm": 25, "batch": "L-7"}
    )
    assert (coat["parts"], coat["build"], coat["distance_cm"]) == (["back"], "light", 25.0)
    card = shop.http.get(f"{API}/instruments/{piece}").json()
    assert [(p["part"], p["due"], p["next"]["step"]) for p in card["parts"]] == [
        ("back", False, "scuff"),
        ("top", True, "seal"),
    ]
    (logged,) = shop.http.get(f"{API}/{coats}").json()
    assert (logged["parts"], logged["batch"]) == (["back"], "L-7")
    assert "parts" in str(post(shop, coats, {"parts": ["rose"]}, status=422))


def test_a_part_is_tapped_once_on_its_page(shop: LiveShop) -> None:
    shop.read_day("booth", 22.0, 45.0)
    piece = take_in(shop, place="booth", parts=["back", "top"])
    page = f"{shop.url}/instruments/{piece}"
    assert "part-back" in shop.http.get(page).text
    for _ in range(2):  # a second tap of the same button is no second coat
        tap = {"part-back": "on", "expect": "back:seal.1"}
        answer = shop.http.post(f"{page}/coat", data=tap, headers={"Origin": shop.url})
        assert answer.status_code in {200, 303}, answer.text
    assert [e.parts for e in shop.desk.log(piece) if e.kind == "coat"] == [("back",)]
