"""Instruments that came in cold, over HTTP and on their page."""

from __future__ import annotations

import pytest
from shopkit import LiveShop, live_shop

API = "/api/v1"
LACQUER = "nitro-lacquer-gun"


def check(shop: LiveShop, piece: int) -> dict:
    answer = shop.http.get(
        f"{API}/places/booth/spray-check", params={"material": LACQUER, "instrument": piece}
    )
    assert answer.status_code == 200, answer.text
    found: dict = answer.json()
    return found


def test_a_cold_piece_waits_until_its_surface_clears_the_dew_point(shop: LiveShop) -> None:
    shop.read(21.0, 45.0)
    piece = shop.add_piece()
    assert check(shop, piece)["answer"] == "spray"

    made = shop.http.post(f"{API}/instruments/{piece}/cold-arrival", json={"wood_c": 4})
    assert made.status_code == 201, made.text
    told = made.json()
    assert (told["wood_c"], told["part"], told["margin_k"]) == (4.0, "neck", 3.0)
    assert told["surface_c"] == pytest.approx(4.0, abs=0.5)
    assert told["at"] < told["clear_at"] < told["near_at"]

    cold = check(shop, piece)
    assert cold["answer"] == "wait"
    assert cold["reasons"][0]["what"] == "cold_work"
    assert cold["reasons"][0]["blocks"]
    assert cold["surface_c"] == pytest.approx(4.0, abs=0.5)
    assert cold["ways_out"][0]["until"] > told["at"]
    # Another piece, which did not, is not held back.
    assert check(shop, shop.add_piece("42"))["answer"] == "spray"

    for _ in range(8):
        shop.jump(minutes=8)
        shop.read(21.0, 45.0)
        answer = check(shop, piece)
        if answer["answer"] == "spray":
            break
        assert answer["reasons"][0]["what"] in {"cold_work", "blush_margin"}
    assert answer["answer"] == "spray"
    assert answer["dew_point_margin_k"] >= 3.0
    shop.jump(hours=5)
    shop.read(21.0, 45.0)
    late = shop.http.get(f"{API}/instruments/{piece}/cold-arrival").json()
    assert (late["surface_c"], late["part"]) == (None, None)


def test_it_is_taken_back_and_the_record_shows_it(shop: LiveShop) -> None:
    shop.read(21.0, 45.0)
    piece = shop.add_piece()
    shop.http.post(f"{API}/instruments/{piece}/cold-arrival", json={"wood_c": 4})
    assert check(shop, piece)["answer"] == "wait"
    assert shop.http.delete(f"{API}/instruments/{piece}/cold-arrival").status_code == 204
    assert check(shop, piece)["answer"] == "spray"
    assert shop.http.delete(f"{API}/instruments/{piece}/cold-arrival").status_code == 404
    assert shop.http.get(f"{API}/instruments/{piece}/cold-arrival").status_code == 404
    entry = next(e for e in shop.desk.log(piece) if e.kind == "cold")
    assert entry.undone
    assert "4 °C" in entry.text
    shop.http.post(f"{API}/instruments/{piece}/cold-arrival", json={"wood_c": 6})
    undone = shop.http.post(f"{API}/instruments/{piece}/undo").json()["undone"]
    assert "6 °C" in undone
    assert check(shop, piece)["answer"] == "spray"


@pytest.mark.parametrize(
    ("body", "field"),
    [
        ({}, "wood_c"),
        ({"wood_c": 90}, "wood_c"),
        ({"wood_c": "cold"}, "wood_c"),
        ({"wood_c": 4, "wood_rh_pct": 130}, "wood_rh_pct"),
        ({"wood_c": 4, "at": "2030-01-01T00:00:00Z"}, "at"),
        ({"wood_c": 4, "colour": "red"}, "colour"),
    ],
)
def test_what_is_wrong_is_named(dry_shop: LiveShop, body: dict, field: str) -> None:
    piece = dry_shop.desk.cards()[0].id if dry_shop.desk.cards() else dry_shop.add_piece("90")
    answer = dry_shop.http.post(f"{API}/instruments/{piece}/cold-arrival", json=body)
    assert answer.status_code == 422
    assert field in answer.text


def test_damp_wood_is_told(shop: LiveShop) -> None:
    shop.read(21.0, 45.0)
    piece = shop.add_piece()
    told = shop.http.post(
        f"{API}/instruments/{piece}/cold-arrival", json={"wood_c": 8, "wood_rh_pct": 80}
    ).json()
    # Wood Handbook (2010), Table 4-2: 80 % RH at 10 °C 16.4 %, 45 % at 21 °C 8.5 %.
    assert told["moisture_then_pct"] == pytest.approx(16.4, abs=0.3)
    assert told["moisture_here_pct"] == pytest.approx(8.5, abs=0.2)
    assert told["moisture_near_at"] > told["near_at"]


def test_it_is_typed_on_the_page_in_the_shops_units(tmp_path) -> None:
    with live_shop(tmp_path, units="us") as shop:
        shop.read(21.0, 45.0)
        piece = shop.add_piece()
        headers = {"Origin": shop.url}
        page = shop.http.post(f"/instruments/{piece}/cold", data={"wood": "39.2"}, headers=headers,
                              follow_redirects=True)  # fmt: skip
        assert page.status_code == 200
        assert "Warm enough to spray about" in page.text
        assert "39 °F" in page.text
        assert "°C" not in page.text
        kept = shop.http.get(f"{API}/instruments/{piece}/cold-arrival").json()
        assert kept["wood_c"] == pytest.approx(4.0, abs=1e-9)
        home = shop.http.get("/", params={"place": "booth", "material": LACQUER,
                                          "instrument": str(piece)}).text  # fmt: skip
        assert "The work came in cold" in home
        assert "The work, reckoned" in home
        wrong = shop.http.post(f"/instruments/{piece}/cold", data={"wood": "icy"}, headers=headers)
        assert wrong.status_code == 422
        assert "is no number" in wrong.text
        entry = next(e for e in shop.desk.log(piece) if e.kind == "cold")
        back = shop.http.post(f"/instruments/{piece}/undo/cold/{entry.id}", headers=headers,
                              follow_redirects=True)  # fmt: skip
        assert "Taken back" in back.text
        assert "Warm enough to spray" not in back.text
