"""Sensors of any make over HTTP: listened to, proposed, tried, adopted, read, retired."""

from __future__ import annotations

import html
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from equipment import Mosquitto, eventually
from shopkit import LiveShop

pytestmark = pytest.mark.real

AIR = {"env": {"temp": 71.3, "hum": 40}, "ts": 1741770000}
MAPPING = {
    "topic": "attic/{sensor}/state",
    "place": "booth",
    "values": {
        "air_c": {"pointer": "/env/temp", "unit": "°F"},
        "rh_pct": {"pointer": "/env/hum", "unit": "%"},
    },
    "time": {"pointer": "/ts", "form": "epoch_s"},
}


@pytest.fixture
def shop(tmp_path: Path, mosquitto: Mosquitto) -> Iterator[LiveShop]:
    """A shop that may listen to a real broker."""
    folder = tmp_path / "shop"
    folder.mkdir()
    made = LiveShop(folder, broker=mosquitto.address)
    yield made
    made.close()


def listening(shop: LiveShop) -> dict[str, Any]:
    found: dict[str, Any] = shop.http.get("/api/v1/listening").json()
    return found


def hear(shop: LiveShop, mosquitto: Mosquitto, *topics: str) -> dict[str, Any]:
    """Listen until every topic was heard, then stop."""
    shop.http.post("/api/v1/listening", json={"seconds": 60})

    def all_heard() -> bool:
        for topic in topics:
            mosquitto.publish(topic, AIR)
        return {t["topic"] for t in listening(shop)["topics"]} >= set(topics)

    eventually(all_heard)
    shop.listener.stop()
    eventually(lambda: listening(shop)["state"] == "done")
    return listening(shop)


def errors(answer: httpx.Response) -> list[str]:
    return [error["field"] for error in answer.json()["errors"]]


def test_from_a_strange_sensor_to_a_kind_in_use(shop, mosquitto):
    assert listening(shop)["state"] == "idle"
    begun = shop.http.post("/api/v1/listening", json={"seconds": 60})
    assert begun.status_code == 202
    assert begun.json()["state"] == "listening"
    assert shop.http.post("/api/v1/listening", json={}).status_code == 409
    shop.listener.stop()
    found = hear(shop, mosquitto, "attic/k1/state", "attic/k2/state", "cellar/pump")
    (kind,) = [p for p in found["proposals"] if "attic/k1/state" in p["topics"]]
    assert kind["mapping"] == MAPPING
    assert any("°F" in question for question in kind["questions"])
    assert {one["sensor"] for one in kind["tried"]} == {"k1", "k2"}
    # 71.3 °F is 21.83 °C: (71.3 - 32) / 1.8 (NIST SP 811, B.8).
    assert kind["tried"][0]["air_c"] == pytest.approx(21.833, abs=1e-3)
    made = shop.http.post("/api/v1/sensor-kinds", json={"name": "Attic", "mapping": MAPPING})
    assert made.status_code == 201
    assert made.headers["Location"] == "/api/v1/sensor-kinds/attic"
    assert [k["id"] for k in shop.http.get("/api/v1/sensor-kinds").json()] == ["attic"]
    # Read from now on, it is left out.
    topics = {t["topic"] for t in listening(shop)["topics"]}
    assert topics == {"cellar/pump"}
    assert shop.http.delete("/api/v1/sensor-kinds/attic").status_code == 204
    assert shop.http.get("/api/v1/sensor-kinds").json() == []
    assert shop.http.delete("/api/v1/sensor-kinds/attic").status_code == 404


def test_a_broker_that_is_not_there_is_said(tmp_path):
    made = LiveShop(tmp_path)
    made.http.post("/api/v1/listening", json={"seconds": 5})
    eventually(lambda: listening(made)["state"] == "failed")
    assert "does not answer" in listening(made)["problem"]
    page = made.http.get("/listening").text
    assert "Could not listen" in page
    made.close()


@pytest.mark.parametrize("body", [{"seconds": 0}, {"seconds": 601}, {"seconds": "long"}, {"x": 1}])
def test_for_how_long_is_checked(shop, body):
    answer = shop.http.post("/api/v1/listening", json=body)
    assert answer.status_code == 422
    assert errors(answer) == list(body)


class TestTry:
    def ask(self, shop: LiveShop, mapping: object, payload: str, topic: str = "attic/k1/state"):
        body = {"mapping": mapping, "topic": topic, "payload": payload}
        return shop.http.post("/api/v1/sensor-kinds/try", json=body)

    def test_what_it_would_bring(self, shop):
        answer = self.ask(shop, MAPPING, '{"env": {"temp": 50, "hum": 40}}')
        assert answer.status_code == 200
        (one,) = answer.json()
        assert (one["sensor"], one["air_c"], one["rh_pct"], one["half"]) == (
            "k1",
            10.0,
            40.0,
            False,
        )
        assert not one["at_named"]
        assert shop.http.get("/api/v1/sensors").json() == []  # nothing is kept

    @pytest.mark.parametrize(
        ("change", "payload", "topic", "field"),
        [
            ({}, "{", "attic/k1/state", "payload"),
            ({}, '{"env": {"temp": 50}}', "attic/k1/state", "rh_pct"),
            ({}, "{}", "cellar/k1/state", "topic"),
            ({"topic": "#"}, "{}", "attic/k1/state", "mapping.topic"),
            ({"place": None}, "{}", "attic/k1/state", "mapping.place"),
            ({"time": {"pointer": "x"}}, "{}", "attic/k1/state", "mapping.time.pointer"),
        ],
    )
    def test_what_is_wrong_is_named(self, shop, change, payload, topic, field):
        answer = self.ask(shop, MAPPING | change, payload, topic)
        assert answer.status_code == 422
        assert errors(answer) == [field]


@pytest.mark.parametrize(
    ("body", "status", "field"),
    [
        ({"name": "Other", "mapping": MAPPING | {"topic": "attic/+/state", "sensor": "x"}}, 409,
         "mapping.topic"),
        ({"name": "Other", "mapping": MAPPING | {"topic": "boothglass/{sensor}/x"}}, 422,
         "mapping.topic"),
        ({"name": "Attic", "mapping": MAPPING | {"topic": "x/{sensor}"}}, 409, "name"),
        ({"name": "", "mapping": MAPPING}, 422, "name"),
        ({"name": "Other", "mapping": []}, 422, "mapping"),
        ({"name": "Other", "mapping": MAPPING, "id": "A B"}, 422, "id"),
        ({"name": "Other"}, 422, "mapping"),
    ],
)  # fmt: skip
def test_what_cannot_be_adopted_is_named(shop, body, status, field):
    shop.kinds.adopt("Attic", MAPPING)
    answer = shop.http.post("/api/v1/sensor-kinds", json=body)
    assert (answer.status_code, errors(answer)) == (status, [field])


class TestPage:
    def form(self, shop: LiveShop, key: str = "0") -> dict[str, str]:
        """Fill a form as a browser would send it back."""
        page = shop.http.get("/listening").text
        fold = page[page.index(f'id="form-{key}"') :]
        fold = fold[: fold.index("</form>")]
        fields = dict(
            re.findall(r'<input type="(?:text|hidden)" name="(\w+)" value="([^"]*)"', fold)
        )
        for name, options in re.findall(r'<select name="(\w+)".*?>(.*?)</select>', fold, re.DOTALL):
            chosen = re.search(r'value="([^"]*)" selected', options)
            fields[name] = chosen[1] if chosen else ""
        fields |= dict.fromkeys(re.findall(r'name="(\w+)" checked', fold), "on")
        payload = re.search(r"<textarea[^>]*>(.*?)</textarea>", fold, re.DOTALL)
        assert payload is not None
        return {k: html.unescape(v) for k, v in fields.items()} | {
            "payload": html.unescape(payload[1])
        }

    def test_listen_look_try_adopt(self, shop, mosquitto):
        hear(shop, mosquitto, "attic/k1/state")
        page = shop.http.get("/listening").text
        assert "attic/k1/state" in page
        assert "Air temperature of 71.3 is taken as °F. Is it?" in page
        fields = self.form(shop)
        assert fields["air_c_pointer"] == "/env/temp"
        again = shop.http.post("/listening/kinds", data=fields | {"do": "try"})
        assert again.status_code == 200
        assert "21.8 °C" in again.text
        adopted = shop.http.post("/listening/kinds", data=fields | {"do": "adopt"})
        assert adopted.status_code == 303
        after = shop.http.get(adopted.headers["Location"]).text
        assert "Adopted." in after
        assert "Take out of use" in after
        (kind,) = shop.kinds.in_use()
        assert kind.mapping is not None
        assert kind.mapping.spec() == MAPPING
        gone = shop.http.post(f"/listening/kinds/{kind.id}/retire")
        assert gone.status_code == 303
        assert shop.kinds.in_use() == []

    def test_altered_before_it_is_adopted(self, shop, mosquitto):
        hear(shop, mosquitto, "attic/k1/state")
        fields = self.form(shop) | {"air_c_unit": "°C", "place": "rack", "do": "adopt"}
        assert shop.http.post("/listening/kinds", data=fields).status_code == 303
        (kind,) = shop.kinds.in_use()
        assert kind.mapping.place == "rack"
        assert kind.mapping.values["air_c"].unit == "°C"

    def test_one_of_your_own_with_a_topic_a_quantity(self, shop):
        fields = self.form(shop, "own") | {
            "name": "Rack", "topic": "rack/{sensor}/{quantity}", "place": "rack",
            "air_c_word": "temp, temperature", "air_c_unit": "°C",
            "rh_pct_word": "hum", "rh_pct_unit": "%", "do": "adopt",
        }  # fmt: skip
        assert shop.http.post("/listening/kinds", data=fields).status_code == 303
        (kind,) = shop.kinds.in_use()
        assert set(kind.mapping.words) == {"temp", "temperature", "hum"}

    @pytest.mark.parametrize(
        ("change", "field"),
        [
            ({"topic": "#"}, "topic"),
            ({"place": "The Booth"}, "place"),
            ({"air_c_pointer": "temp"}, "air_c_pointer"),
            ({"rh_pct_unit": "K"}, "rh_pct_unit"),
            ({"rh_pct_unit": ""}, "rh_pct_unit"),
            ({"time_form": "iso", "time_zone": "Nowhere"}, "time_zone"),
            ({"time_form": "iso", "time_pointer": ""}, "time_pointer"),
            ({"name": ""}, "name"),
            ({"only": "a/b"}, "only"),
        ],
    )
    def test_what_is_wrong_is_said_beside_the_field(self, shop, mosquitto, change, field):
        hear(shop, mosquitto, "attic/k1/state")
        answer = shop.http.post("/listening/kinds", data=self.form(shop) | {"do": "adopt"} | change)
        assert answer.status_code == 422
        assert f'id="{field}-wrong"' in answer.text
        assert shop.kinds.in_use() == []

    def test_nothing_that_was_heard_is_taken_for_markup(self, shop, mosquitto):
        shop.http.post("/api/v1/listening", json={"seconds": 60})
        evil = "<script>alert(1)</script>"

        def heard() -> bool:
            mosquitto.publish("attic/<b>x</b>", evil)
            return bool(listening(shop)["topics"])

        eventually(heard)
        page = shop.http.get("/listening").text
        assert evil not in page
        assert "<b>x</b>" not in page
