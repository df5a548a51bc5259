"""The plan over HTTP and on its page."""

from __future__ import annotations

from shopkit import LiveShop

API = "/api/v1"


def piece(shop: LiveShop, number: str) -> None:
    body = {"shop_number": number, "kind": "lute", "schedule": "lacquer-clear", "place": "booth"}
    assert shop.http.post(f"{API}/instruments", json=body).status_code == 201


def test_the_plan_and_its_hours(shop: LiveShop) -> None:
    shop.read_day("booth", 22.0, 45.0)
    piece(shop, "41")
    plan = shop.http.get(f"{API}/plan").json()
    assert plan["made_by"] == "solver"
    assert [line["step"] for line in plan["lines"][:2]] == ["seal", "scuff"]
    assert plan["finishes"][0]["from_at"] < plan["finishes"][0]["until_at"]
    hours = {"hours": {"sun": ["10:00", "12:00"]}, "hands": 2}
    assert shop.http.put(f"{API}/working-hours", json=hours).json()["hands"] == 2
    assert shop.http.get(f"{API}/working-hours").json()["hours"] == {"sun": ["10:00", "12:00"]}
    wrong = shop.http.put(f"{API}/working-hours", json={"hours": {"sun": ["12:00", "10:00"]}})
    assert wrong.status_code == 422
    assert "hours" in wrong.text


def test_the_page_shows_today_and_takes_hours(shop: LiveShop) -> None:
    shop.read_day("booth", 22.0, 45.0)
    piece(shop, "41")
    text = shop.http.get("/plan").text
    assert "Seal" in text
    assert "When each is through" in text
    fields = {"hands": "1", "booth": "1", "most_coats_a_day": "3", "setup_min": "20",
              "mask_setup_min": "10",
              "mon.from": "09:00", "mon.until": "12:00"}  # fmt: skip
    origin = {"Origin": shop.url}
    answer = shop.http.post("/plan/hours", data=fields, headers=origin, follow_redirects=True)
    assert answer.status_code == 200
    assert shop.http.get(f"{API}/working-hours").json()["most_coats_a_day"] == 3
    wrong = shop.http.post("/plan/hours", data=fields | {"hands": "many"}, headers=origin)
    assert wrong.status_code == 422
    assert "is no whole number" in wrong.text
