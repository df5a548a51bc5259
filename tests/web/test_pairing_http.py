"""The page that lets a sensor in, and the address at which a device fetches its password."""

from __future__ import annotations

import re

import pytest
from shopkit import LiveShop, live_shop

from service.store.secrets_kept import fits
from service.store.sensor_keys import Wanted


def a_code(shop: LiveShop, **fields: str) -> str:
    answer = shop.http.post("/sensors/add", data={"place": "booth", "sensor": "rail"} | fields)
    assert answer.status_code == 200, answer.text
    found = re.search(r'pairing-code"[^>]*><code>([A-Z0-9]{4}-[A-Z0-9]{4})<', answer.text)
    assert found is not None
    return found.group(1)


def pair(shop: LiveShop, code: str, **headers: str):
    return shop.http.post("/api/v1/pairing", json={"code": code}, headers=headers)


def test_a_code_gives_a_device_all_that_it_needs(shop: LiveShop) -> None:
    given = pair(shop, a_code(shop))
    assert given.status_code == 200, given.text
    told = given.json()
    (key,) = shop.app.state.shop.sensor_door.keys.live()
    assert fits(told.pop("password"), key.secret_hash)
    assert told == {
        "user": "booth.rail", "place": "booth", "sensor": "rail",
        "topic": "boothglass/booth/rail", "topics": ["boothglass/booth/rail"],
        "url": "mqtt://127.0.0.1:1883", "host": "127.0.0.1", "port": 1883, "tls": False,
        "authority": None,
    }  # fmt: skip
    assert given.headers["Cache-Control"] == "no-store"


def test_a_code_is_good_once_and_a_wrong_one_never(shop: LiveShop) -> None:
    code = a_code(shop)
    assert pair(shop, "AAAA-AAAA").status_code == 403
    assert pair(shop, code.replace("-", "").lower()).status_code == 200
    again = pair(shop, code)
    assert again.status_code == 403
    assert again.headers["Content-Type"] == "application/problem+json"
    assert "password" not in again.text


def test_whoever_guesses_has_to_wait(shop: LiveShop) -> None:
    code = a_code(shop)
    for _ in range(10):
        assert pair(shop, "AAAA-AAAA").status_code == 403
    for tried in ("AAAA-AAAA", code):
        refused = pair(shop, tried)
        assert refused.status_code == 429
        assert 0 < int(refused.headers["Retry-After"]) <= 600


@pytest.mark.parametrize("body", [{}, {"code": ""}, {"code": "x" * 21}, {"code": 7}, []])
def test_what_is_no_code_is_refused_by_name(shop: LiveShop, body: object) -> None:
    assert shop.http.post("/api/v1/pairing", json=body).status_code == 422


def test_a_page_of_another_site_may_not_fetch_a_key(shop: LiveShop) -> None:
    code = a_code(shop)
    assert pair(shop, code, Origin="https://elsewhere.example").status_code == 403
    assert pair(shop, code).status_code == 200


def test_without_tls_there_is_no_authority(shop: LiveShop) -> None:
    assert shop.http.get("/api/v1/pairing/authority").status_code == 404


def test_the_page_says_what_is_wrong_and_keeps_what_was_typed(shop: LiveShop) -> None:
    answer = shop.http.post("/sensors/add", data={"place": "booth", "sensor": "a wall"})
    assert answer.status_code == 422
    assert 'id="sensor-wrong"' in answer.text
    assert 'value="a wall"' in answer.text
    own = {"place": "", "sensor": "w1", "topics": "boothglass/booth/wall"}
    assert 'id="topics-wrong"' in shop.http.post("/sensors/add", data=own).text


def test_a_password_to_type_in_is_shown_this_once(shop: LiveShop) -> None:
    asked = {"sensor": "w1", "topics": "hall/w1/# hall/w2", "do": "show"}
    shown = shop.http.post("/sensors/add", data=asked).text
    (key,) = shop.app.state.shop.sensor_door.keys.live()
    assert key.topics == ["hall/w1/#", "hall/w2"]
    secrets = re.findall(r"<code>([\w-]{24})</code>", shown)
    assert [fits(secret, key.secret_hash) for secret in secrets] == [True]
    assert secrets[0] not in shop.http.get("/sensors/add").text
    assert key.secret_hash not in shop.http.get("/sensors/add").text


def test_a_key_is_ended_on_the_page(shop: LiveShop) -> None:
    shop.http.post("/sensors/add", data={"place": "booth", "sensor": "rail", "do": "show"})
    assert "booth.rail" in shop.http.get("/sensors/add").text
    done = shop.http.post("/sensors/add/end", data={"user": "booth.rail"})
    assert done.status_code == 303
    assert shop.app.state.shop.sensor_door.keys.live() == []
    gone = shop.http.post("/sensors/add/end", data={"user": "booth.rail"})
    assert gone.status_code == 422


def test_the_way_to_the_page_stands_on_the_sensors(shop: LiveShop) -> None:
    assert 'href="/sensors/add"' in shop.http.get("/sensors").text


def test_a_device_needs_no_sign_in_and_everybody_else_does(tmp_path) -> None:
    with live_shop(tmp_path, sign_in="on") as shop:
        code, _ = shop.app.state.shop.sensor_door.keys.open_code(Wanted("booth", "rail"))
        page = shop.http.get("/sensors/add")
        assert page.status_code in {303, 401}
        assert "rail" not in page.text
        refused = shop.http.post("/sensors/add", data={"place": "booth", "sensor": "wall"})
        assert refused.status_code in {303, 401, 403}
        assert pair(shop, "AAAA-AAAA").status_code == 403
        told = pair(shop, code)
        assert told.status_code == 200
        assert told.json()["user"] == "booth.rail"
        assert shop.http.get("/api/v1/sensors").status_code == 401
