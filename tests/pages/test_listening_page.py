"""Finding a sensor with a real browser: a strange sensor on a real broker becomes a kind in use."""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from equipment import Mosquitto, eventually
from playwright.sync_api import Page, expect
from shopkit import LiveShop
from test_pages_form import CONTRAST, LEAST_TARGET_PX, SIZES, TARGETS, unfold

pytestmark = pytest.mark.real

SHOTS = os.environ.get("BOOTHGLASS_SHOTS")
"""Where pictures of the page are put, if anywhere."""


@pytest.fixture
def shop(tmp_path: Path, mosquitto: Mosquitto) -> Iterator[LiveShop]:
    """A shop with two places that may listen to a real broker."""
    folder = tmp_path / "shop"
    folder.mkdir()
    made = LiveShop(folder, broker=mosquitto.address)
    made.read_day("booth", 22.0, 45.0, hours=1)
    made.read_day("rack", 21.0, 48.0, hours=1)
    yield made
    made.close()


def send(mosquitto: Mosquitto) -> None:
    for number, name in enumerate(("bench_air", "spare")):
        body = {"env": {"temp": 71.3 + number, "hum": 40}, "cell": {"level": 2.9}, "up_s": 812}
        mosquitto.publish(f"attic/rack/{name}/state", json.dumps(body))
    mosquitto.publish("cellar/w1/temperature", b"18.4 \xc2\xb0C")
    mosquitto.publish("cellar/w1/humidity", b"61")
    mosquitto.publish("cellar/pump", b"on")


def shot(page: Page, name: str) -> None:
    if SHOTS:
        page.screenshot(path=f"{SHOTS}/{name}.png", full_page=True)


def is_sound(page: Page, size: str, where: str) -> None:
    unfold(page)
    width = page.evaluate("document.documentElement.scrollWidth")
    assert width <= SIZES[size]["width"], f"{where} is {width} wide"
    assert page.evaluate(TARGETS % LEAST_TARGET_PX) == [], where
    assert page.evaluate(CONTRAST) == [], where


@pytest.mark.parametrize("size", ["phone", "wide"])
@pytest.mark.parametrize("script", [True, False], ids=["script", "plain"])
def test_from_a_strange_sensor_to_a_kind_in_use(
    shop: LiveShop, mosquitto: Mosquitto, open_page: Any, size: str, *, script: bool
) -> None:
    visit = open_page(SIZES[size], java_script_enabled=script)
    page = visit.go("/listening")
    name = f"listening-{size}-{'script' if script else 'plain'}"
    page.get_by_label("Listen for").select_option("15")
    page.get_by_role("button", name="Listen").click()
    expect(page.get_by_text(re.compile("Listening, .* s left"))).to_be_visible()

    def heard() -> bool:
        send(mosquitto)
        return len(shop.listener.overheard().topics) == 5

    eventually(heard)
    # It fills by itself: by the event stream, or by reloading where no script runs.
    expect(page.locator("#listening")).to_contain_text("attic/rack/bench_air/state", timeout=8000)
    shot(page, f"{name}-1-hears")
    shop.listener.stop()
    expect(page.get_by_role("heading", name="How to read it")).to_be_visible(timeout=8000)
    if script:
        is_sound(page, size, "proposals")
        page.reload()
    shot(page, f"{name}-2-proposes")
    form = page.locator("#form-0")
    expect(form).to_contain_text("Air temperature of 72.3 is taken as °F. Is it?")
    expect(form.locator("table")).to_contain_text("bench_air")
    form.get_by_text("How it is read").click()
    form.locator("[name=topic]").fill("attic/{place}/{sensor}/#")
    form.get_by_role("button", name="Adopt").click()
    expect(page.locator("#form-0 [role=alert]")).to_contain_text("# is not taken")
    expect(page.locator("#topic-wrong")).to_be_visible()
    assert all("422" in said for said in visit.complaints)
    visit.complaints.clear()
    shot(page, f"{name}-3-refuses")
    form = page.locator("#form-0")
    form.locator("[name=topic]").fill("attic/{place}/{sensor}/state")
    form.get_by_role("button", name="Try").click()
    expect(page.locator("#form-0 table")).to_contain_text("21.8 °C")
    expect(page.locator("#form-0 table tbody tr")).to_have_count(1)
    shot(page, f"{name}-4-tries")
    page.locator("#form-0").get_by_role("button", name="Adopt").click()
    expect(page.locator("#flash")).to_contain_text("Adopted.")
    expect(page.get_by_role("button", name="Take out of use")).to_have_count(1)
    expect(page.locator("#listening")).not_to_contain_text("attic/rack")
    expect(page.locator("#listening")).to_contain_text("cellar/pump")
    if script:
        is_sound(page, size, "adopted")
        page.reload()
    shot(page, f"{name}-5-adopted")
    (kind,) = shop.kinds.in_use()
    assert kind.mapping is not None
    assert kind.mapping.topic == "attic/{place}/{sensor}/state"
    assert kind.mapping.values["air_c"].unit == "°F"
    page.get_by_role("button", name="Take out of use").click()
    expect(page.locator("#flash")).to_contain_text("Out of use.")
    assert shop.kinds.in_use() == []


def test_what_is_being_typed_stays_while_the_shop_goes_on(
    shop: LiveShop, mosquitto: Mosquitto, open_page: Any
) -> None:
    visit = open_page()
    page = visit.go("/listening")
    page.get_by_text("One of your own").click()
    topic = page.locator("#form-own [name=topic]")
    topic.fill("rack/{sensor}")
    page.locator("#form-own").locator("[name=name]").fill("Rack")
    for _ in range(3):
        shop.read(22.0, 45.0)
        page.wait_for_timeout(800)
    expect(topic).to_have_value("rack/{sensor}")
