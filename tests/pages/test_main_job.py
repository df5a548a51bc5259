"""The main job with nothing of it mocked.

Mosquitto is the broker, ``mosquitto_pub`` the sensor and ``mosquitto_sub`` the other listener; the
service runs as its own process under a driven clock; Chromium is the phone.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from equipment import Mosquitto, eventually
from playwright.sync_api import Browser, Page, expect
from running import Listener, Service, read

pytestmark = [pytest.mark.real, pytest.mark.slow]

LACQUER = "nitro-lacquer-gun"


@pytest.fixture
def service(tmp_path: Path, mosquitto: Mosquitto) -> Iterator[Service]:
    data = tmp_path / "data"
    data.mkdir()
    running = Service(data, mosquitto.url)
    running.start()
    yield running
    running.stop()


@pytest.fixture
def listener(tmp_path: Path, mosquitto: Mosquitto) -> Iterator[Listener]:
    listening = Listener(mosquitto, tmp_path / "heard.jsonl")
    yield listening
    listening.stop()


@pytest.fixture
def phone(browser: Browser) -> Iterator[Page]:
    """A page of the size of a phone."""
    context = browser.new_context(viewport={"width": 390, "height": 844}, has_touch=True)
    yield context.new_page()
    context.close()


def turn(service: Service, broker: Mosquitto, air_c: float, rh_pct: float) -> None:
    """Let the air become other within six minutes: air that a shop can have does not jump."""
    air = service.get("places/booth/air")
    for n in range(1, 7):
        service.forward(minutes=1)
        read(
            service,
            broker,
            air["air_c"] + n / 6 * (air_c - air["air_c"]),
            air["rh_pct"] + n / 6 * (rh_pct - air["rh_pct"]),
        )


def check(service: Service) -> dict[str, object]:
    found: dict[str, object] = service.get(f"places/booth/spray-check?material={LACQUER}")
    return found


def hang_in_air(service: Service, broker: Mosquitto, *, minutes: int) -> None:
    """Let time pass in dry air, with a reading every five minutes."""
    for _ in range(minutes // 5):
        service.forward(minutes=5)
        read(service, broker, 22.5, 45.0)


def test_the_phone_shows_spray_then_wait_then_unknown_without_a_reload(
    service: Service, mosquitto: Mosquitto, phone: Page
) -> None:
    phone.goto(service.base)
    expect(
        phone.get_by_role("link", name="Begin")
    ).to_be_visible()  # how to come to a first reading

    read(service, mosquitto, 23.0, 40.0)
    phone.goto(f"{service.base}/?place=booth&material={LACQUER}")
    shown = phone.locator("#check")
    expect(shown).to_have_attribute("data-answer", "spray")
    expect(shown.locator(".answer").first).to_contain_text("Spray")
    assert check(service)["answer"] == "spray"

    turn(service, mosquitto, 24.0, 85.0)
    expect(shown).to_have_attribute("data-answer", "wait", timeout=10_000)
    found = check(service)
    # 21.3 °C: dew point of 24 °C and 85 % RH by the ASHRAE equations.
    assert found["dew_point_c"] == pytest.approx(21.3, abs=0.1)
    assert float(str(found["film_floor_c"])) < float(str(found["dew_point_c"]))
    margin = float(str(found["blush_margin_k"]))
    assert margin < 0
    expect(phone.locator("body")).to_contain_text(f"{abs(margin):.1f}")
    assert found["ways_out"]

    service.forward(minutes=11)
    assert check(service)["answer"] == "unknown"
    expect(shown.locator(".answer:visible").first).to_contain_text("Unknown", timeout=15_000)


def test_a_tapped_coat_is_told_ready_once_even_across_kills(
    service: Service, mosquitto: Mosquitto, listener: Listener, phone: Page
) -> None:
    read(service, mosquitto, 22.5, 45.0)
    piece = service.post(
        "instruments", shop_number="45", kind="cittern", schedule="lacquer-clear", place="booth"
    )
    for step in ("seal", "scuff", "mask"):
        service.post(f"instruments/{piece['id']}/steps", step=step)

    phone.goto(service.base)
    phone.locator(f"#card-{piece['id']} form.tap button").click()
    eventually(lambda: service.get(f"instruments/{piece['id']}/ready"), what="the coat is recorded")
    (recoat,) = (
        m for m in service.get(f"instruments/{piece['id']}/ready") if m["mark"] == "recoat"
    )
    assert recoat["clock"] < 0.05
    # common practice: an hour from coat to coat in 21 to 24 °C and 40 to 50 % RH
    coat_at = service.now()
    hang_in_air(service, mosquitto, minutes=30)
    service.kill()
    service.start()
    (recoat,) = (
        m for m in service.get(f"instruments/{piece['id']}/ready") if m["mark"] == "recoat"
    )
    assert recoat["clock"] == pytest.approx(0.5, abs=0.05)
    assert recoat["ready_from"] < recoat["ready_at"] < recoat["ready_until"]
    assert not ready_notices(service)

    hang_in_air(service, mosquitto, minutes=35)
    eventually(lambda: ready_notices(service), 15, "the notice is written")
    eventually(lambda: listener.heard("recoat-ready"), 15, "the notice is on MQTT")
    service.kill()
    service.start()
    hang_in_air(service, mosquitto, minutes=15)

    (notice,) = ready_notices(service)
    assert notice["instrument"] == piece["id"]
    told_after = service.now() - coat_at
    assert told_after >= timedelta(hours=1)
    assert {told["id"] for told in listener.heard("recoat-ready")} == {notice["id"]}
    phone.goto(service.base)
    expect(phone.locator("#told")).to_contain_text("45")


def test_a_sensor_that_falls_silent_is_told_once_for_each_silence(
    service: Service, mosquitto: Mosquitto
) -> None:
    def silences() -> int:
        return len([n for n in service.get("notices") if n["kind"] == "sensor-silent"])

    read(service, mosquitto, 22.0, 45.0)
    service.forward(minutes=12)
    eventually(lambda: silences() == 1, what="the silence is told")
    service.forward(minutes=30)
    read(service, mosquitto, 22.0, 45.0)
    assert silences() == 1
    service.forward(minutes=12)
    eventually(lambda: silences() == 2, what="the second silence is told")


def test_air_that_turns_on_a_wet_coat_is_told_at_once(
    service: Service, mosquitto: Mosquitto
) -> None:
    read(service, mosquitto, 23.0, 40.0)
    piece = service.post(
        "instruments", shop_number="43", kind="dulcimer", schedule="lacquer-clear", place="booth"
    )
    service.post(f"instruments/{piece['id']}/coats", material=LACQUER)
    turn(service, mosquitto, 22.0, 88.0)

    def stops() -> list[dict[str, object]]:
        return [n for n in service.get("notices") if n["kind"] == "stop-spraying"]

    eventually(stops, what="the turn is told")
    assert stops()[0]["instrument"] == piece["id"]


def ready_notices(service: Service) -> list[dict[str, object]]:
    return [n for n in service.get("notices") if n["kind"] == "recoat-ready"]
