"""Likely causes of a flaw over HTTP and on its page, and what the shop confirms."""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from shopkit import LiveShop, live_shop

API = "/api/v1"
LACQUER = "nitro-lacquer-gun"


def air_until_now(shop: LiveShop, hours: float, rh_pct: float) -> None:
    now = shop.clock.now()
    rows = []
    for n in range(int(hours * 20), -1, -1):
        t = n / 20
        rows.append(
            (
                now - timedelta(minutes=3 * n),
                round(20.0 + 0.5 * math.sin(t) + 0.03 * math.sin(9.0 * t), 2),
                round(rh_pct - 2.0 * math.sin(t) + 0.2 * math.cos(7.0 * t), 1),
            )
        )
    shop.read_many(rows, "booth", "probe", 20.0)


@pytest.fixture
def damp(tmp_path: Path) -> Iterator[LiveShop]:
    """Two coats in air so damp that the film went below its dew point, and a blush."""
    with live_shop(tmp_path) as shop:
        air_until_now(shop, 30, 84.0)
        piece = shop.add_piece()
        now = shop.clock.now()
        for hours in (6.0, 3.0):
            shop.work.record_coat(piece, material_id=LACQUER, at=now - timedelta(hours=hours))
        shop.work.flaws.log(piece, kind="blush")
        yield shop


def causes(shop: LiveShop, flaw: int = 1) -> dict[str, Any]:
    answer = shop.http.get(f"{API}/flaws/{flaw}/causes")
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    return found


def test_damp_air_is_named_with_what_speaks_for_it(damp: LiveShop) -> None:
    told = causes(damp)
    first = told["causes"][0]
    assert (told["verdict"], first["id"]) == ("stands_out", "damp_air")
    assert sum(c["probability"] for c in told["causes"]) == pytest.approx(1.0, abs=0.002)
    (says,) = [s for s in first["speaks_for"] if s["indicator"] == "blush_margin_k"]
    coats = damp.http.get(f"{API}/flaws/1/evidence").json()["evidence"]["coats"]
    margin = coats[says["coat"] - 1]["film_at"]["blush_margin_k"]
    assert says["value"] == pytest.approx(margin, abs=1e-3)
    assert "no verdict" in told["caveat"]


def test_without_air_it_says_that_too_little_is_known(tmp_path: Path) -> None:
    with live_shop(tmp_path) as shop:
        shop.read_many([(shop.clock.now() - timedelta(days=3), 20.0, 50.0)], "booth", "probe")
        piece = shop.add_piece()
        shop.work.record_coat(piece, material_id=LACQUER)
        shop.work.flaws.log(piece, kind="blush")
        assert causes(shop)["verdict"] == "not_enough"
        assert "Not enough is known" in shop.http.get("/flaws/1").text


def test_the_page_tells_it_and_takes_what_was_found(damp: LiveShop) -> None:
    page = damp.http.get("/flaws/1").text
    assert "What may be behind it" in page
    assert "Damp air at the coat, " in page
    assert "wet film above the dew point" in page
    answer = damp.http.post("/flaws/1/cause", data={"cause": "water_in_the_line"})
    assert answer.status_code in (200, 303)
    assert "Found to be: <b>Water in the air line" in damp.http.get("/flaws/1").text
    damp.http.post("/flaws/1/cause/withdraw")
    assert "Found to be" not in damp.http.get("/flaws/1").text


def test_what_was_confirmed_bears_on_other_flaws_alone(damp: LiveShop) -> None:
    piece = damp.http.get(f"{API}/flaws/1").json()["instrument"]
    damp.work.flaws.log(piece, kind="blush")
    before = {c["id"]: c["prior"] for c in causes(damp, 2)["causes"]}
    put = damp.http.put(f"{API}/flaws/1/cause", json={"cause": "water_in_the_line", "who": "Ada"})
    assert put.status_code == 204
    after = {c["id"]: c["prior"] for c in causes(damp, 2)["causes"]}
    assert after["water_in_the_line"] > before["water_in_the_line"]
    own = causes(damp, 1)
    assert own["confirmed"] == "water_in_the_line"
    assert {c["id"]: c["prior"] for c in own["causes"]} == before
    # A flaw that is taken back counts no more.
    damp.http.delete(f"{API}/flaws/1")
    assert {c["id"]: c["prior"] for c in causes(damp, 2)["causes"]} == before


@pytest.mark.parametrize("cause", ["nonsense", "wood_dried", ""])
def test_a_cause_that_cannot_be_is_refused_with_its_field(damp: LiveShop, cause: str) -> None:
    answer = damp.http.put(f"{API}/flaws/1/cause", json={"cause": cause})
    assert answer.status_code == 422
    assert "cause" in answer.text
    assert causes(damp)["confirmed"] is None


def test_no_such_flaw(damp: LiveShop) -> None:
    assert damp.http.get(f"{API}/flaws/99/causes").status_code == 404
    assert damp.http.put(f"{API}/flaws/99/cause", json={"cause": "damp_air"}).status_code == 404
