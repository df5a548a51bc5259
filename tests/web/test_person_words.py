"""Each phone in the words of whoever holds it: units, clock, look, by person or by device."""

from __future__ import annotations

from typing import Any

import httpx
import pytest
from shopkit import LiveShop

PAGE = {"Accept": "text/html"}


@pytest.fixture
def phone(shop: LiveShop) -> Any:
    with httpx.Client(base_url=shop.url, headers=PAGE, follow_redirects=True) as made:
        yield made


@pytest.fixture(autouse=True)
def _air(shop: LiveShop) -> None:
    shop.jump(hours=6, minutes=40)  # 15:40
    shop.read_day("booth", 22.75, 45.0, hours=2)  # ends at 22.0 °C


def test_a_device_speaks_as_it_was_told(shop: LiveShop, phone: httpx.Client) -> None:
    before = phone.get("/").text
    assert "22.0 °C" in before
    assert ">15:40<" in before
    said = phone.post("/settings/device", data={"units": "us", "clock": "12", "theme": "sun"})
    assert said.status_code == 200
    page = phone.get("/").text
    assert "71.6 °F" in page
    assert "22.0 °C" not in page
    assert ">3:40 pm<" in page
    assert 'data-clock="12"' in page
    assert 'data-theme="sun"' in page
    other = shop.http.get("/", headers=PAGE).text
    assert "22.0 °C" in other, "another phone is another person's"
    phone.post("/settings/device", data={})
    assert "22.0 °C" in phone.get("/").text


def test_a_person_speaks_alike_on_every_phone(shop: LiveShop, phone: httpx.Client) -> None:
    ann = int(shop.people.add("Ann", prefs={"shoe": "left"}).id or 0)
    phone.post("/settings/device", data={"clock": "12"})
    phone.post("/settings/device/person", data={"person": str(ann)})
    page = phone.post("/settings/device", data={"units": "us", "clock": "24"}).text
    assert "How it speaks to Ann" in page
    assert shop.people.person(ann).prefs == {"shoe": "left", "units": "us", "clock": "24"}
    assert "71.6 °F" in phone.get("/").text
    assert "clock" not in phone.cookies, "what the device said by itself has gone"
    with httpx.Client(base_url=shop.url, headers=PAGE, cookies={"person": str(ann)}) as tablet:
        assert "71.6 °F" in tablet.get("/").text
    shop.people.retire(ann)
    assert "22.0 °C" in phone.get("/").text


@pytest.mark.parametrize(
    "cookies",
    [
        {"person": "99999"}, {"person": "-1"}, {"person": "x" * 3000}, {"units": "cubits"},
        {"clock": "13"}, {"lang": "../../etc"}, {"theme": "<b>"},
    ],
)  # fmt: skip
def test_a_cookie_of_nonsense_changes_nothing(shop: LiveShop, cookies: dict[str, str]) -> None:
    plain = shop.http.get("/", headers=PAGE)
    with httpx.Client(base_url=shop.url, headers=PAGE, cookies=cookies) as odd:
        page = odd.get("/")
    assert page.status_code == 200
    assert "22.0 °C" in page.text
    assert page.text.count("<li") == plain.text.count("<li")


def test_what_is_not_offered_is_refused_by_its_name(phone: httpx.Client) -> None:
    for name, value in (("units", "cubits"), ("clock", "13"), ("lang", "tlh"), ("theme", "pink")):
        refused = phone.post("/settings/device", data={name: value})
        assert refused.status_code == 422
        assert f'id="{name}-wrong"' in refused.text
    refused = phone.post("/settings/device/person", data={"person": "77"})
    assert 'id="person-wrong"' in refused.text
