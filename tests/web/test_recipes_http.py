"""Materials and schedules over HTTP and on their pages."""

from __future__ import annotations

from typing import Any

from shopkit import LiveShop, live_shop

from service.shop.materials import Material

API = "/api/v1"
LACQUER = "nitro-lacquer-gun"


def tap(shop: LiveShop, path: str, **fields: str) -> Any:
    return shop.http.post(path, data=fields, headers={"Origin": shop.url}, follow_redirects=True)


def marks_as_shown(material: Material) -> dict[str, str]:
    """What the page's form holds of the marks before anything is typed."""
    return {
        f"{m.name}.{key}": f"{value:g}"
        for m in material.marks.values()
        for key, value in (("hours", m.hours), ("low", m.low_hours), ("high", m.high_hours))
    }


def test_a_data_sheets_figures_are_entered_and_listed(shop: LiveShop) -> None:
    body = {
        "marks": {"recoat": {"hours": 1.5, "closes_hours": 48}},
        "limits": {"rh_max_pct": 60},
        "basis": "data sheet, edition 4",
    }
    answer = shop.http.post(f"{API}/materials/{LACQUER}/figures", json=body)
    assert answer.status_code == 201, answer.text
    assert answer.json() == {"kind": "material", "id": LACQUER, "version": 1}
    held = shop.http.get(f"{API}/materials/{LACQUER}").json()
    recoat = next(m for m in held["marks"] if m["name"] == "recoat")
    assert (recoat["hours"], recoat["closes_hours"]) == (1.5, 48.0)
    assert held["limits"]["rh_max_pct"] == {"value": 60.0, "basis": "data sheet, edition 4"}
    versions = shop.http.get(f"{API}/materials/{LACQUER}/versions").json()
    assert [v["version"] for v in versions] == [1, None]
    # What ships can be written back, as one more version.
    back = {"text": versions[1]["text"], "note": "back"}
    assert shop.http.post(f"{API}/materials", json=back).json()["version"] == 2


def test_what_is_wrong_is_named(shop: LiveShop) -> None:
    text = shop.work.recipes.text("schedule", "lacquer-clear")
    answer = shop.http.post(
        f"{API}/schedules", json={"text": text.replace("kind: cure", "kind: nap")}
    )
    assert answer.status_code == 422
    assert "line" in answer.text
    assert "nap" in answer.text
    answer = shop.http.post(
        f"{API}/materials/{LACQUER}/figures",
        json={"marks": {"shine": {"hours": 1}}, "basis": "sheet"},
    )
    assert answer.status_code == 422
    assert "shine" in answer.text
    assert shop.http.get(f"{API}/materials/moonshine/versions").status_code == 404


def test_figures_are_typed_on_the_page(shop: LiveShop) -> None:
    page = shop.http.get("/materials").text
    assert f"/materials/{LACQUER}" in page
    page = shop.http.get(f"/materials/{LACQUER}").text
    assert "As shipped" in page
    material = shop.catalogue.materials[LACQUER]
    typed = marks_as_shown(material)
    typed |= {"air_min_c": "15.0", "air_max_c": "32.0", "rh_max_pct": "65.0",
              "dew_point_margin_k": "3.0", "blush_margin_k": "0.0"}  # fmt: skip
    same = tap(shop, f"/materials/{LACQUER}/figures", basis="data sheet", **typed)
    assert same.status_code == 422
    assert "no figure differs" in same.text
    wrong = tap(
        shop, f"/materials/{LACQUER}/figures", basis="data sheet", **typed | {"sand.hours": "soon"}
    )
    assert wrong.status_code == 422
    assert "is no number" in wrong.text
    assert 'value="soon"' in wrong.text
    done = tap(
        shop, f"/materials/{LACQUER}/figures", basis="data sheet", **typed | {"sand.hours": "20"}
    )
    assert "Your version 1 holds" in done.text
    held = shop.catalogue.materials[LACQUER]
    assert held.marks["sand"].hours == 20.0
    assert held.marks["recoat"].basis != "data sheet"  # what was not touched keeps its basis


def test_a_text_that_is_wrong_is_shown_again_with_its_line(shop: LiveShop) -> None:
    text = shop.work.recipes.text("schedule", "lacquer-clear")
    page = tap(shop, "/schedules/lacquer-clear/text", text=text.replace("coats: 10", "coats: many"))
    assert page.status_code == 422
    assert "coats: many" in page.text
    assert "line" in page.text
    page = tap(shop, "/schedules/lacquer-clear/text", text=text.replace("coats: 10", "coats: 6"))
    assert "Your version 1 holds" in page.text
    assert shop.catalogue.schedules["lacquer-clear"].step("clear").coats == 6


def test_limits_are_typed_in_the_shops_units(tmp_path) -> None:
    with live_shop(tmp_path, units="us") as shop:
        page = shop.http.get(f"/materials/{LACQUER}").text
        assert 'value="59.0"' in page or 'value="59"' in page  # 15 °C
        assert "°C" not in page.split("Edit the text")[0]
        typed = marks_as_shown(shop.catalogue.materials[LACQUER]) | {"air_min_c": "68"}
        tap(shop, f"/materials/{LACQUER}/figures", basis="sheet", **typed)
        assert shop.catalogue.materials[LACQUER].limits.air_min_c.value == 20.0
