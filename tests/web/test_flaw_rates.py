"""Flawed coats against clean ones, over HTTP and on a page; a limit taken on by one tap."""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest
from shopkit import LiveShop, live_shop

API = "/api/v1"
LACQUER = "nitro-lacquer-gun"
COATS = 24


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LiveShop]:
    """Twenty-four coats in air that swings from 42 to 62 % in a day; the damper ones blushed."""
    with live_shop(tmp_path_factory.mktemp("season")) as shop:
        now, rows = shop.clock.now(), []
        for n in range(COATS * 6 * 12, -1, -1):
            t = n / 12
            rh = 52.0 + 10.0 * math.sin(2.0 * math.pi * t / 24.0)
            rows.append(
                (
                    now - timedelta(minutes=5 * n),
                    round(20.0 + 0.4 * math.sin(t) + 0.03 * math.sin(9 * t), 2),
                    round(rh + 0.2 * math.cos(7 * t), 1),
                )
            )
        shop.read_many(rows, "booth", "probe", 20.0)
        piece = shop.add_piece()
        for n in range(COATS):
            at = now - timedelta(hours=6 * (COATS - n) - 1)
            coat = shop.work.record_coat(piece, material_id=LACQUER, at=at)
            t = 6 * (COATS - n) - 1
            if 52.0 + 10.0 * math.sin(2.0 * math.pi * t / 24.0) > 57.0:
                shop.work.flaws.log(piece, kind="blush", coat_id=coat.id)
        yield shop


def rates(shop: LiveShop, **query: str) -> dict[str, Any]:
    answer = shop.http.get(
        f"{API}/flaw-rates", params={"kind": "blush", "material": LACQUER} | query
    )
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    return found


def test_flaws_are_counted_by_the_air_they_came_in(season: LiveShop) -> None:
    told = rates(season)
    assert (told["coats"], told["left_out"]) == (COATS, 0)
    assert told["flawed"] == len(season.http.get(f"{API}/flaws?kind=blush").json()) == COATS / 4
    rh = next(m for m in told["measures"] if m["id"] == "rh_pct")
    assert sum(b["coats"] for b in rh["bins"]) == COATS
    damp = next(b for b in rh["bins"] if b["from_value"] == 55.0)
    assert damp["flawed"] == damp["coats"] > 0
    assert damp["rate_low"] < damp["rate"] == 1.0
    clean = rates(season, kind="runs")
    assert (clean["flawed"], clean["suggestions"]) == (0, [])


def test_a_flaw_that_names_no_coat_counts_for_neither_side(season: LiveShop) -> None:
    piece = season.http.get(f"{API}/flaws").json()[0]["instrument"]
    row = season.work.flaws.log(piece, kind="sink_back")
    told = rates(season, kind="sink_back")
    season.work.undo("flaw", row.id or 0)
    assert (told["coats"], told["flawed"], told["left_out"]) == (0, 0, COATS)


@pytest.mark.parametrize(("name", "value"), [("kind", "nonsense"), ("material", "nonsense")])
def test_what_is_not_known_is_named(season: LiveShop, name: str, value: str) -> None:
    query = {"kind": "blush", "material": LACQUER} | {name: value}
    answer = season.http.get(f"{API}/flaw-rates", params=query)
    assert answer.status_code in (404, 422)
    assert name in answer.text


def test_a_limit_of_ones_own_is_taken_on_with_its_reason(season: LiveShop) -> None:
    (rh,) = [s for s in rates(season)["suggestions"] if s["limit"] == "rh_max_pct"]
    assert 50.0 <= rh["value"] < 57.0 < rh["now"]
    assert "Which air makes flaws here" in season.http.get("/flaws/compare").text
    assert "A limit of your own" in season.http.get(f"/flaws/compare?material={LACQUER}").text
    given = {"kind": "blush", "material": LACQUER, "limit": "rh_max_pct"}
    answer = season.http.post("/flaws/compare/adopt", data=given)
    assert answer.status_code in (200, 303)
    limit = season.http.get(f"{API}/materials/{LACQUER}").json()["limits"]["rh_max_pct"]
    assert limit["value"] == rh["value"]
    assert limit["basis"] == rh["reason"]
    # Once taken on, it is no news any more.
    assert not [s for s in rates(season)["suggestions"] if s["limit"] == "rh_max_pct"]
    again = season.http.post(f"{API}/flaw-rates/adopt", json=given)
    assert again.status_code == 409
