"""The shop's settings over HTTP: in force at once, and locked where they were set from outside."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from shopkit import LiveShop, live_shop

from service.settings import Settings
from service.store.shop_settings import SettingsBook

API = "/api/v1/settings"
PAGE = {"Accept": "text/html"}


def change(shop: LiveShop, **given: Any) -> Any:
    return shop.http.patch(API, json=given)


def test_what_is_set_is_in_force_at_once_and_after_a_restart(shop: LiveShop) -> None:
    shop.read_day("booth", 22.0, 45.0, hours=2)
    shop.jump(minutes=8)
    assert shop.desk.air("booth").trouble is None  # type: ignore[union-attr]
    given = {
        "name": "Saltmarsh Strings", "units": "us", "clock": 12, "altitude_m": 1200.0,
        "stale_after_s": 300.0, "check_every_days": 90, "keep_raw_days": 400,
    }  # fmt: skip
    answer = change(shop, **given)
    assert answer.status_code == 200, answer.text
    assert {k: v for k, v in answer.json().items() if k in given} == given
    assert answer.json()["sources"]["altitude_m"] == "page"
    air = shop.desk.air("booth")
    assert air is not None
    assert air.trouble is not None, "a reading of eight minutes ago is too old now"
    # ICAO standard atmosphere: 87 716 Pa at 1200 m (published table, 1 200 m: 8.7718e4 Pa).
    assert shop.desk.facts.pressure_pa == pytest.approx(87_718, rel=1e-3)
    page = shop.http.get("/settings", headers=PAGE).text
    assert "Saltmarsh Strings" in page
    assert 'data-stale-after="300.0"' in page
    assert "3937" in page, "1200 m are 3937 ft"
    again = SettingsBook(shop.db, Settings(_env_file=None, data=Path(), zone="UTC"))
    assert again.now.keep_raw_days == 400
    assert again.now.clock == 12


def test_a_setting_from_outside_is_locked_and_says_where(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("BOOTHGLASS_ALTITUDE_M", "700")
    with live_shop(tmp_path) as shop:  # its zone is given at start
        said = shop.http.get(API).json()
        assert said["sources"]["altitude_m"] == "environment"
        assert said["sources"]["zone"] == "file"
        assert said["sources"]["units"] == "default"
        refused = change(shop, altitude_m=5.0)
        assert refused.status_code == 409
        assert refused.json()["errors"][0]["field"] == "altitude_m"
        assert "environment" in refused.json()["detail"]
        assert change(shop, zone="Europe/Lisbon").status_code == 409
        assert shop.http.get(API).json()["altitude_m"] == 700.0
        page = shop.http.get("/settings", headers=PAGE).text
        assert "Locked: set by BOOTHGLASS_ALTITUDE_M in the environment." in page
        assert 'name="altitude"' not in page
        assert 'name="name"' in page


def test_a_setting_goes_back_to_its_default(shop: LiveShop) -> None:
    assert change(shop, units="us").json()["units"] == "us"
    back = change(shop, units=None).json()
    assert (back["units"], back["sources"]["units"]) == ("metric", "default")


@pytest.mark.parametrize(
    ("given", "field"),
    [
        ({"altitude_m": 9000}, "altitude_m"),
        ({"stale_after_s": 1}, "stale_after_s"),
        ({"check_every_days": 0}, "check_every_days"),
        ({"keep_raw_days": 3}, "keep_raw_days"),
        ({"units": "imperial"}, "units"),
        ({"clock": 13}, "clock"),
        ({"name": "x" * 200}, "name"),
        ({"colour": "red"}, "colour"),
    ],
)
def test_what_cannot_be_is_refused_by_its_name(
    shop: LiveShop, given: dict[str, Any], field: str
) -> None:
    before = shop.http.get(API).json()
    refused = change(shop, **given)
    assert refused.status_code == 422
    assert field in [error["field"] for error in refused.json()["errors"]]
    assert shop.http.get(API).json() == before


def test_a_zone_is_taken_over_by_plan_and_pages(tmp_path: Path) -> None:
    folder = tmp_path / "shop"
    folder.mkdir()
    with live_shop(folder, zone=None) as shop:
        del shop.settings.__pydantic_fields_set__  # as if nothing had been said
        shop.settings.__pydantic_fields_set__ = {"data"}
        assert change(shop, zone="Nowhere/Atlantis").json()["errors"][0]["field"] == "zone"
        assert shop.http.get("/plan", headers=PAGE).status_code == 200
        assert change(shop, zone="Pacific/Auckland").status_code == 200
        # Auckland is 13 h ahead of UTC on 12 March: summer time until the first Sunday of April.
        assert shop.book.now.tz.utcoffset(shop.clock.now()) == timedelta(hours=13)
        assert 'data-zone="Pacific/Auckland"' in shop.http.get("/plan", headers=PAGE).text
        assert str(shop.app.state.shop.planner.zone) == "Pacific/Auckland"


def test_the_form_names_the_field_and_keeps_what_was_typed(shop: LiveShop) -> None:
    typed = {"name": "Saltmarsh", "units": "metric", "clock": "24", "altitude": "high up"}
    refused = shop.http.post("/settings", data=typed, headers=PAGE)
    assert refused.status_code == 422
    assert 'id="altitude-wrong"' in refused.text
    assert "high up" in refused.text
    typed |= {"altitude": "12,5", "stale_min": "15", "has-keep_raw_days": "1"}
    assert shop.http.post("/settings", data=typed, headers=PAGE).status_code == 303
    assert shop.book.now.altitude_m == 12.5
    assert shop.book.now.stale_after_s == 900.0
    assert shop.book.now.keep_raw_days is None
    typed |= {"stale_min": "0"}
    refused = shop.http.post("/settings", data=typed, headers=PAGE)
    assert 'id="stale_min-wrong"' in refused.text
