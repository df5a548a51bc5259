"""The service killed and stopped for real under a phone and a wall: no tap lost, none twice."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from equipment import Mosquitto, eventually
from offlinekit import settle
from playwright.sync_api import Browser, BrowserContext, Page, expect
from relay import Relay
from running import Service

pytestmark = [pytest.mark.real, pytest.mark.slow]

LONG = 30_000
WALL = "/wall?place=booth&material=nitro-lacquer-gun"


@pytest.fixture
def service(tmp_path: Path, mosquitto: Mosquitto) -> Iterator[Service]:
    data = tmp_path / "data"
    data.mkdir()
    running = Service(data, mosquitto.url)
    running.start()
    at = running.now().isoformat()
    mosquitto.publish("boothglass/booth/wall", {"at": at, "air_c": 22.5, "rh_pct": 42.0})
    eventually(lambda: running.get("places"), what="the reading is kept")
    for number in ("41", "42", "43"):
        running.post(
            "instruments", shop_number=number, kind="lute", schedule="lacquer-clear", place="booth"
        )
    yield running
    running.stop()


@pytest.fixture
def relay(service: Service) -> Iterator[Relay]:
    made = Relay(service.port)
    yield made
    made.close()


@pytest.fixture
def context(browser: Browser) -> Iterator[BrowserContext]:
    made = browser.new_context(viewport={"width": 390, "height": 844})
    yield made
    made.close()


def coats(service: Service, piece: int) -> list[dict[str, Any]]:
    return [c for c in service.get(f"instruments/{piece}/coats") if not c.get("undone_at")]


def open_kept(context: BrowserContext, address: str) -> Page:
    page = context.new_page()
    page.goto(address)
    settle(page)
    return page


def test_taps_through_kills_are_recorded_once_each_with_their_times(
    service: Service, relay: Relay, context: BrowserContext
) -> None:
    base = f"http://127.0.0.1:{relay.port}"
    page = open_kept(context, base + "/instruments")
    tapped: dict[int, datetime] = {}

    # Killed when the tap is recorded and its answer on the way; killed as soon as the tap is sent.
    for piece, after_answer in ((1, True), (2, False)):
        relay.arm(
            f"POST /instruments/{piece}/coat".encode(), service.kill, after_answer=after_answer
        )
        tapped[piece] = service.now()
        page.locator(f"#card-{piece} form.tap button").click()
        expect(page.locator("#waiting")).to_contain_text("1 tap waits", timeout=LONG)
        eventually(lambda piece=piece: relay.cuts == piece, what="the service is killed")
        service.start()
        expect(page.locator("#waiting")).to_have_count(0, timeout=LONG)
        eventually(lambda piece=piece: coats(service, piece), what="the coat is recorded")

    # Tapped while the service is down, the tab closed before it is up again.
    tapped[3] = service.now()
    service.kill()
    page.locator("#card-3 form.tap button").click()
    expect(page.locator("#waiting")).to_contain_text("1 tap waits", timeout=LONG)
    page.close()
    service.start()
    service.forward(minutes=38)
    page = context.new_page()
    page.goto(base + "/instruments/3")
    expect(page.locator("#log")).to_contain_text("Seal", timeout=LONG)

    for piece, at in tapped.items():
        (coat,) = coats(service, piece)
        late = datetime.fromisoformat(coat["at"]) - at
        assert timedelta(seconds=-5) < late < timedelta(seconds=15), piece


def test_a_wall_sees_that_the_service_hangs_and_that_it_goes_on(
    service: Service, context: BrowserContext
) -> None:
    page = open_kept(context, service.base + WALL)
    shown = page.locator("#check .tag:visible .answer")
    expect(shown).to_have_text(re.compile("Spray"))
    service.pause()
    try:
        # What wakes the page in life: its device joins the network again.
        page.evaluate("() => dispatchEvent(new Event('online'))")
        expect(shown).to_have_text(re.compile("Unknown"), timeout=LONG)
        expect(page.locator(".last-known b")).to_have_text(re.compile(r"\d+ s ago"))
        page.reload()  # and loaded anew it is known from what was kept
        expect(shown).to_have_text(re.compile("Unknown"))
    finally:
        service.resume()
    expect(shown).to_have_text(re.compile("Spray"), timeout=LONG)
