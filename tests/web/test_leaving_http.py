"""Pieces leave the shop and come back: off the lists and the plan, never out of the record."""

from __future__ import annotations

import re

from shopkit import LiveShop

HTML = {"Accept": "text/html"}
API = "/api/v1"


def listed(shop: LiveShop) -> set[str]:
    return {row["shop_number"] for row in shop.http.get(f"{API}/instruments").json()}


def test_a_piece_that_left_is_off_the_lists_and_its_record_stays(shop: LiveShop) -> None:
    shop.work.add_place("booth")
    shop.add_piece("41")
    piece = shop.add_piece("42")
    shop.work.finish_step(piece, None, note="kept")
    assert listed(shop) == {"41", "42"}
    page = shop.http.get(f"/instruments/{piece}", headers=HTML).text
    assert f'action="/instruments/{piece}/gone"' in page
    left = shop.http.post(f"/instruments/{piece}/gone", headers=HTML, follow_redirects=True)
    assert left.status_code == 200
    assert "It has left the shop. Its record stays." in left.text
    assert "kept" in left.text
    assert listed(shop) == {"41"}
    assert "42" not in {
        line["shop_number"] for line in shop.http.get(f"{API}/plan").json()["lines"]
    }
    gone = shop.http.get("/instruments/gone", headers=HTML).text
    assert re.search(rf'href="/instruments/{piece}"><b>42</b>', gone)


def test_it_comes_back_as_it_was(shop: LiveShop) -> None:
    shop.work.add_place("booth")
    piece = shop.add_piece("42")
    before = shop.desk.card(piece)
    assert shop.http.post(f"{API}/instruments/{piece}/gone").status_code == 204
    assert listed(shop) == set()
    back = shop.http.post(f"/instruments/{piece}/back", headers=HTML, follow_redirects=True)
    assert "It is in the shop again." in back.text
    assert listed(shop) == {"42"}
    assert shop.desk.card(piece) == before


def test_nobody_leaves_twice(shop: LiveShop) -> None:
    shop.work.add_place("booth")
    piece = shop.add_piece("42")
    assert shop.http.post(f"{API}/instruments/{piece}/gone").status_code == 204
    again = shop.http.post(f"{API}/instruments/{piece}/gone")
    assert again.status_code == 409
    assert again.json()["errors"][0]["field"] == "instrument"
    assert shop.http.delete(f"{API}/instruments/{piece}/gone").status_code == 204
    assert shop.http.delete(f"{API}/instruments/{piece}/gone").status_code == 409
    assert shop.http.post(f"{API}/instruments/99/gone").status_code == 404
