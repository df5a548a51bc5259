"""From an empty shop to the first spray check, on a phone, with a sensor that really speaks."""

from __future__ import annotations

import re
import subprocess
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from conftest import PHONE
from equipment import command, free_port
from playwright.sync_api import Browser, Locator, Page, expect
from running import Service

pytestmark = pytest.mark.real

LOOK_S = 4.0
"""Seconds given to reading a page before its first tap (assumed, for somebody who is new here)."""

TAP_S = 1.4
"""A tap with its decision: 0.4 s to press and point near, 1 s to choose (assumed, after the
keystroke-level model of Card, Moran and Newell, 1980, which has 1.35 s for a thought; from memory).
"""

CHARACTER_S = 0.5
"""A character on a phone's keyboard, or into a sensor's own page (assumed, slow)."""


class OwnBroker(Service):
    """A service as it starts for the first time: its own broker, nothing set but its ports."""

    def __init__(self, data: Path) -> None:
        super().__init__(data, "")
        self.mqtt_port = free_port()
        for name in ("MQTT_URL", "CLOCK_START", "CLOCK_RATE", "ZONE"):
            self._env.pop(f"BOOTHGLASS_{name}", None)
        self._env |= {"BOOTHGLASS_MQTT_PORT": str(self.mqtt_port), "TZ": "UTC"}


@dataclass
class Finger:
    """Taps and types, and counts what a person would take for it."""

    page: Page
    taps: int = 0
    person_s: float = 0.0
    done: list[str] = field(default_factory=list)

    def tap(self, what: Locator) -> None:
        self.done.append(what.inner_text() or what.get_attribute("name") or "?")
        what.click()
        self.taps += 1
        self.person_s += TAP_S

    def look(self) -> None:
        self.person_s += LOOK_S

    def copy(self, *what: str) -> None:
        """Type something into the sensor's own page."""
        self.person_s += CHARACTER_S * sum(map(len, what)) + TAP_S * len(what)


@pytest.fixture
def service(tmp_path: Path) -> Iterator[OwnBroker]:
    """A service where nobody signs in."""
    yield from started(tmp_path / "data", sign_in="off")


@pytest.fixture
def guarded(tmp_path: Path) -> Iterator[OwnBroker]:
    """A service as it comes: its owner has yet to come in."""
    yield from started(tmp_path / "data", sign_in="on")


def started(folder: Path, sign_in: str) -> Iterator[OwnBroker]:
    folder.mkdir()
    made = OwnBroker(folder)
    made._env["BOOTHGLASS_SIGN_IN"] = sign_in
    made.start()
    yield made
    made.stop()


def owner_link(service: OwnBroker) -> str:
    """The link that the service printed."""
    found = re.search(r"comes in here: (http://\S+)", service.log.read_text())
    assert found is not None
    return found[1]


def told(page: Page, label: str) -> str:
    """What the page says is to be typed into the sensor."""
    value = page.locator(f".start-type dt:text-is('{label}') + dd")
    return str(value.locator("code").text_content()).strip()


def publish(page: Page, payload: str) -> None:
    """Do what the page says, with a client that is not ours."""
    subprocess.run(
        [
            command("mosquitto_pub"), "-h", told(page, "Broker (MQTT)"), "-p", told(page, "Port"),
            "-u", told(page, "User"), "-P", told(page, "Password"), "-q", "1",
            "-t", told(page, "Topic"), "-m", payload,
        ],
        check=True, timeout=20,
    )  # fmt: skip


@pytest.mark.parametrize("script", [True, False], ids=["script", "plain"])
def test_from_an_empty_shop_to_the_first_spray_check(
    browser: Browser, guarded: OwnBroker, *, script: bool
) -> None:
    context = browser.new_context(viewport=PHONE, java_script_enabled=script)
    page = context.new_page()
    finger = Finger(page)
    began = time.monotonic()
    page.goto(owner_link(guarded))  # the code in the terminal, scanned
    finger.look()
    finger.tap(page.get_by_role("button", name="This device only, for now"))
    expect(page.get_by_role("heading", name="An empty shop")).to_be_visible()
    finger.look()
    finger.tap(page.get_by_role("link", name="Begin"))
    finger.look()
    finger.tap(page.get_by_role("button", name="Go on"))  # the machine's zone, °C, sea level
    finger.look()
    finger.tap(page.get_by_role("button", name="Go on"))  # a spray booth
    finger.look()
    expect(page.locator("#heard")).to_contain_text("Nothing yet")
    finger.tap(page.get_by_text("Show it"))
    expect(page.locator("#password code")).to_be_visible()
    finger.copy(*(told(page, name) for name in ("Broker (MQTT)", "Port", "User", "Password")))
    finger.copy(told(page, "Topic"))
    publish(page, '{"air_c": "warm", "rh_pct": 45}')  # a first try that goes wrong
    expect(page.locator("#heard")).to_contain_text("cannot be used", timeout=15_000)
    expect(page.locator("#heard")).to_contain_text("air_c")
    publish(page, told(page, "Message"))
    expect(page.locator("#heard")).to_contain_text("Heard: Spray booth.", timeout=15_000)
    expect(page.locator("#heard")).to_contain_text("22.5 °C")
    finger.look()
    finger.tap(page.locator("#heard").get_by_role("link", name="Go on"))
    finger.look()
    finger.tap(page.locator(".start-choice button").first)
    expect(page.locator("[data-answer] .answer").first).to_have_text(
        re.compile("Spray|Wait|Unknown")
    )
    took_s = time.monotonic() - began + finger.person_s
    print(f"{finger.taps} taps, {took_s:.0f} s: {' / '.join(finger.done)}")
    assert finger.taps <= 8  # six from the empty shop on, and at most two to come in
    assert took_s < 180
    assert "place=spray-booth" in page.url
    context.close()


def test_a_way_out_of_every_step_and_back_again(browser: Browser, service: OwnBroker) -> None:
    context = browser.new_context(viewport=PHONE)
    page = context.new_page()
    page.goto(service.base + "/start")
    assert page.url.endswith("/start/shop")
    for step in ("place", "sensor", "material"):
        page.get_by_role("link", name="Skip this").click()
        assert page.url.endswith(f"/start/{step}")
        expect(page.get_by_role("link", name="Later: go to the pages")).to_be_visible()
    page.locator(".start-choice button").last.click()
    expect(page.get_by_role("heading", name="An empty shop")).to_be_visible()
    page.get_by_role("link", name="Go on").click()
    assert page.url.endswith("/start/shop"), "what was skipped is asked again"
    page.locator("[name=altitude]").fill("up there")
    page.get_by_role("button", name="Go on").click()
    expect(page.locator("#altitude-wrong")).to_have_text("is no number")
    page.locator("[name=altitude]").fill("640")
    page.locator("[name=zone]").fill("Europe/Lisbon")
    page.get_by_role("button", name="Go on").click()
    assert service.get("settings")["altitude_m"] == 640
    assert service.get("settings")["zone"] == "Europe/Lisbon"
    page.wait_for_url("**/start/place")
    page.locator("[name=name]").fill("Große Kabine")
    page.locator("[name=volume]").fill("a lot")
    page.get_by_role("button", name="Go on").click()
    expect(page.locator("#volume-wrong")).to_be_visible()
    page.locator("[name=volume]").fill("22")
    page.get_by_role("button", name="Go on").click()
    assert told(page, "Topic") == "boothglass/grosse-kabine/first"
    page.goto(service.base + "/start/place")
    expect(page.get_by_text("There already: Große Kabine.")).to_be_visible()
    page.get_by_role("link", name="Go on").click()
    assert page.url.endswith("/start/sensor")
    context.close()
