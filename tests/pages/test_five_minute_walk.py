"""A finisher's walk, nothing of it mocked: damp air, a window, a notice, a coat, a flaw.

Mosquitto is the broker and ``mosquitto_pub`` the sensor, with four days that it reports late; the
service is a process of its own; a web server of ours is what a message reaches. The browser itself
counts what the thumb does: nothing may take more than two taps.
"""

from __future__ import annotations

import io
import math
import re
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from equipment import Mosquitto, eventually
from PIL import Image
from playwright.sync_api import Browser, Locator, Page, expect
from receiver import Receiver
from running import TOPIC, Service, read

pytestmark = [pytest.mark.real, pytest.mark.slow]

MOST_TAPS = 2
SIZES = {"phone": {"width": 390, "height": 844}, "wide": {"width": 1280, "height": 800}}
HISTORY = timedelta(days=4)
SOON = 15_000

COUNTING = """addEventListener("click", (event) => event.isTrusted && counted(), true)"""
"""Clicks, which a tap of a finger is one of in the end: a hand that missed a moving button, as the
browser's driver does now and then, has not tapped it."""


class Thumb:
    """Taps on a page, counted by the page's browser and not by who asks for them."""

    def __init__(self, page: Page, *, touch: bool) -> None:
        self.page, self._touch = page, touch
        self.taps = 0
        self.steps: dict[str, int] = {}
        page.expose_function("counted", self._count)
        page.add_init_script(COUNTING)

    def _count(self) -> None:
        self.taps += 1

    def tap(self, what: Locator) -> None:
        if self._touch:
            what.tap()
        else:
            what.click()

    @contextmanager
    def step(self, name: str, *, taps_before: int = 0) -> Iterator[None]:
        """Do one thing; ``taps_before`` are those outside the page, as on a notification."""
        before = self.taps
        yield
        self.page.wait_for_timeout(100)  # the last count is on its way
        self.steps[name] = self.taps - before + taps_before


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    with Receiver() as made:
        yield made


@pytest.fixture
def service(
    tmp_path: Path, mosquitto: Mosquitto, receiver: Receiver, monkeypatch: pytest.MonkeyPatch
) -> Iterator[Service]:
    """A shop at eight in the morning: four days of air in its book, a coat from yesterday."""
    monkeypatch.setenv("BOOTHGLASS_WEBHOOK_HOSTS", "127.0.0.1")
    data = tmp_path / "data"
    data.mkdir()
    running = Service(data, mosquitto.url)
    running.start()
    try:
        catch_up(running, mosquitto)
        piece = running.post(
            "instruments", shop_number="45", kind="cittern", schedule="lacquer-clear", place="booth"
        )
        afternoon = (running.now() - timedelta(hours=18)).isoformat()
        for step in ("seal", "scuff", "mask"):
            running.post(f"instruments/{piece['id']}/steps", step=step, at=afternoon)
        running.post(f"instruments/{piece['id']}/coats", at=afternoon)
        running.post("people", name="Ana", telling={"group_min": 0})
        config = {"url": receiver.url, "secret": "whsec_" + 32 * "A"}
        running.post("people/1/channels", kind="webhook", config=config)
        eventually(lambda: windows(running), 90, "the outlook is made")
        yield running
    finally:
        running.stop()


def windows(service: Service) -> list[Any]:
    found: list[Any] = service.get("places/booth/windows?material=nitro-lacquer-gun")["windows"]
    return found


def usual_air(at: datetime) -> tuple[float, float]:
    """Air of an invented spring: cool and damp until ten, warm and dry by noon."""
    warmth = math.exp(-(((at.hour + at.minute / 60 - 14.5) / 3.2) ** 4))
    wiggle = 0.1 * ((at.minute // 10) % 3 - 1)
    return round(17.0 + 6.0 * warmth + wiggle, 2), round(86.0 - 44.0 * warmth + 5 * wiggle, 1)


def catch_up(service: Service, broker: Mosquitto) -> None:
    """Let the sensor report four days late, as one does that was out of reach of its broker."""
    now = service.now()
    count = int(HISTORY / timedelta(minutes=10))
    payloads: list[Any] = []
    for n in range(count, -1, -1):
        at = now - n * timedelta(minutes=10)
        air_c, rh_pct = usual_air(at)
        payloads.append(f'{{"at": "{at.isoformat()}", "air_c": {air_c}, "rh_pct": {rh_pct}}}')
    broker.publish(TOPIC, *payloads)
    eventually(
        lambda: service.get("health")["mqtt"]["recorded"] > count, 60, "four days are recorded"
    )


def live_on(service: Service, broker: Mosquitto, *, until: Callable[[], bool]) -> None:
    """Let the morning pass, with a reading every ten minutes, until something is so."""
    for _ in range(6 * 6):
        read(service, broker, *usual_air(service.forward(minutes=10)))
        if within(1.5, until):
            return
    raise AssertionError("it did not come about within six hours")


def within(seconds: float, is_so: Callable[[], bool]) -> bool:
    """Whether something comes about in a while: looks at the shop are a third of a second apart."""
    deadline = time.monotonic() + seconds
    while time.monotonic() < deadline:
        if is_so():
            return True
        time.sleep(0.1)
    return False


def photo() -> dict[str, Any]:
    out = io.BytesIO()
    Image.new("RGB", (1200, 900), "#c98b3a").save(out, "JPEG")
    return {"name": "IMG_1.jpg", "mimeType": "image/jpeg", "buffer": out.getvalue()}


@pytest.mark.parametrize("size", ["phone", "wide"])
def test_nothing_on_the_walk_takes_more_than_two_taps(
    service: Service, mosquitto: Mosquitto, receiver: Receiver, browser: Browser, size: str
) -> None:
    touch = size == "phone"
    context = browser.new_context(viewport=SIZES[size], has_touch=touch)
    page = context.new_page()
    thumb = Thumb(page, touch=touch)
    check = page.locator("#check")
    answer = check.locator(".tag:visible .answer")

    with thumb.step("see that it is too damp"):
        page.goto(service.base)
        expect(answer).to_have_text(re.compile("Wait"))
        expect(check.locator(".because:visible")).to_contain_text(re.compile("damp|dew point"))
        expect(check.locator(".readout")).to_contain_text("86 %")
        expect(check.locator(".out")).to_be_visible()
    assert above_the_fold(answer)

    with thumb.step("see the next window"):
        window = check.locator(".next-window")
        expect(window).to_contain_text("Next window: today")
    with thumb.step("see what it rests on"):
        thumb.tap(window.get_by_role("link"))
        expect(page.locator("#outlook")).to_contain_text("Spray windows")
        thumb.tap(page.get_by_role("link", name="Now", exact=True))
        expect(answer).to_have_text(re.compile("Wait"))

    with thumb.step("hear that it opens soon"):
        told = page.locator("#told").get_by_role("link", name=re.compile("a spray window"))
        live_on(service, mosquitto, until=lambda: bool(opening(receiver)))
        expect(told).to_be_visible(timeout=SOON)
    message = opening(receiver)[0]["data"]
    assert re.search(r"opens in about \d+ min", message["body"])
    with thumb.step("see it turn"):
        live_on(service, mosquitto, until=lambda: "Spray" in answer.inner_text())
        expect(answer).to_have_text(re.compile("Spray"), timeout=SOON)
    assert service.now().hour >= 9  # the wait lasted

    with thumb.step("follow the notice and record the coat", taps_before=1):
        page.goto(message["url"])
        expect(answer).to_have_text(re.compile("Spray"))
        thumb.tap(page.get_by_role("button", name=re.compile("^Coat 2 is on")))
        flash = page.locator("#flash")
        expect(flash).to_contain_text("Recorded. No. 45")
        expect(flash.get_by_role("button", name="Undo")).to_be_in_viewport()
    (_, second) = sorted(service.get("instruments/1/coats"), key=lambda coat: coat["at"])
    assert abs(datetime.fromisoformat(second["at"]) - service.now()) < timedelta(minutes=1)

    with thumb.step("take it back"):
        thumb.tap(flash.get_by_role("button", name="Undo"))
        expect(flash).to_contain_text("Taken back")
    with thumb.step("record it from the first page"):
        thumb.tap(page.get_by_role("link", name="Now", exact=True))
        thumb.tap(page.locator("#card-1").get_by_role("button", name=re.compile("^Coat 2 is on")))
        expect(page.locator("#flash")).to_contain_text("Recorded. No. 45")
    assert len([c for c in service.get("instruments/1/coats") if not c["undone"]]) == 2

    with thumb.step("log a flaw with a photo"):
        thumb.tap(page.locator("#card-1").get_by_role("link", name=re.compile("^Flaw")))
        with page.expect_file_chooser() as camera:
            thumb.tap(page.get_by_label("With a photo: Blush"))
        camera.value.set_files([photo()])
        expect(page.get_by_role("heading", level=1)).to_have_text("Blush")
        expect(page.locator(".photos img")).to_have_count(1)
        expect(page.locator("#flash").get_by_role("button", name="Undo")).to_be_visible()
    (flaw,) = service.get("flaws")
    assert (flaw["kind"], flaw["instrument"]) == ("blush", 1)

    assert max(thumb.steps.values()) <= MOST_TAPS, thumb.steps
    # What was tapped was counted: the camera and the tile's page are two.
    assert thumb.steps["log a flaw with a photo"] == 2
    assert thumb.steps["see that it is too damp"] == thumb.steps["see it turn"] == 0
    context.close()


def opening(receiver: Receiver) -> list[Any]:
    return [got for got in list(receiver.got) if got["type"] == "notice.window-opening"]


def above_the_fold(what: Locator) -> bool:
    """Whether something is wholly on the screen before anybody scrolls."""
    box, view = what.bounding_box(), what.page.viewport_size
    assert box is not None
    assert view is not None
    return box["y"] >= 0 and box["y"] + box["height"] <= view["height"]
