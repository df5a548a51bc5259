"""Each page in each plight: without connection, on a slow link, by keyboard alone; on both screens.

What a program can say of accessibility is in ``test_pages_axe``, what becomes of taps without
connection in ``test_pages_offline``.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import pytest
from keykit import press_until, walk
from offlinekit import settle
from playwright.sync_api import Browser, BrowserContext, Page, expect
from shopkit import LiveShop, live_shop

pytestmark = pytest.mark.real

SIZES = {"phone": {"width": 390, "height": 844}, "wide": {"width": 1280, "height": 800}}
AIR_ALONE = "waterborne-acrylic-gun"
"""Its windows need no film to be followed first."""

KEPT = {
    "now": "/?place=booth&material=nitro-lacquer-gun",
    "instruments": "/instruments",
    "instrument": "/instruments/1",
    "air": "/air/booth",
    "outlook": f"/outlook/booth?material={AIR_ALONE}",
    "flaw tiles": "/instruments/1/flaw",
}
PAGES = KEPT | {
    "material": "/materials/nitro-lacquer-gun",
    "schedule": "/schedules/lacquer-clear",
    "sensors": "/sensors",
    "flaws": "/flaws",
    "settings": "/settings",
}

SLOW = {
    "offline": False,
    "latency": 400,
    "downloadThroughput": 50_000,
    "uploadThroughput": 50_000,
}

WIDTH = "() => document.documentElement.scrollWidth - innerWidth"
SETTLED = """() => { const live = [...document.querySelectorAll("[data-live]")];
  return document.documentElement.classList.contains("script")
    && (live.length === 0 || live.some(part => part.dataset.drawn)); }"""


@dataclass
class Screen:
    """A screen with the shop on it, which works without connection from its first page on."""

    shop: LiveShop
    context: BrowserContext
    page: Page

    def go(self, path: str) -> Page:
        """Open a page as somebody does who has been here before."""
        self.page.goto(self.shop.url + path)
        return self.page


@pytest.fixture(scope="module")
def busy(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LiveShop]:
    """A shop with four days of air, its outlook, two pieces, coats, a flaw and a planned move."""
    with live_shop(tmp_path_factory.mktemp("shop")) as shop:
        shop.read_day("booth", 22.0, 45.0, hours=96)
        shop.read_day("rack", 21.5, 48.0)
        shop.add_piece("41")
        shop.add_piece("42", kind="octave mandolin", woods="spruce and maple", place="rack")
        now = shop.clock.now()
        shop.work.record_coat(1, at=now - timedelta(hours=5), who="bench 1")
        shop.work.flaws.log(1, kind="blush", part="back", note="white")
        shop.work.hang(1, "rack", now + timedelta(days=2))
        shop.desk.refresh_outlooks()
        shop.desk.windows("booth", shop.desk.spray_check("booth", AIR_ALONE), wait=True)
        yield shop


@pytest.fixture(scope="module", params=SIZES)
def screen(request: pytest.FixtureRequest, browser: Browser, busy: LiveShop) -> Iterator[Screen]:
    context = browser.new_context(viewport=SIZES[request.param])
    made = Screen(busy, context, context.new_page())
    made.go(KEPT["now"])
    settle(made.page)
    yield made
    context.close()


@pytest.fixture
def cut(screen: Screen) -> Iterator[Callable[[], None]]:
    """Cut the connection; it is there again afterwards."""
    yield lambda: screen.context.set_offline(offline=True)
    screen.context.set_offline(offline=False)


@pytest.mark.parametrize("name", PAGES)
def test_without_connection(screen: Screen, cut: Callable[[], None], name: str) -> None:
    page = screen.go(PAGES[name])
    title = " ".join(page.get_by_role("heading", level=1).inner_text().split())
    if name in KEPT:
        settle(page)
    cut()
    page = screen.go(PAGES[name])
    if name in KEPT:
        expect(page.get_by_role("heading", level=1)).to_have_text(title)
        if name != "now":  # there the answer itself says so
            expect(page.locator("#cut-note")).to_contain_text(re.compile(r"this page is \d+ s old"))
    else:
        expect(page.get_by_role("heading", level=1)).to_have_text("No connection")
        expect(page.locator("#kept-pages li").first).to_be_visible()
    expect(page.get_by_text("Spray", exact=True).and_(page.locator(".answer *"))).to_have_count(0)
    assert page.evaluate(WIDTH) <= 0
    screen.context.set_offline(offline=False)
    expect(page.get_by_role("heading", level=1)).to_have_text(title, timeout=20_000)
    expect(page.locator("#cut-note")).to_have_count(0, timeout=20_000)


@pytest.mark.parametrize("name", PAGES)
def test_on_a_slow_link(screen: Screen, name: str) -> None:
    talk = screen.context.new_cdp_session(screen.page)
    talk.send("Network.enable")
    talk.send("Network.emulateNetworkConditions", SLOW)
    try:
        page = screen.go(PAGES[name])
        expect(page.get_by_role("heading", level=1)).to_be_visible()
        page.wait_for_function(SETTLED, timeout=20_000)  # it has asked for itself once more
        expect(page.locator("#cut-note")).to_have_count(0)
        assert page.evaluate(WIDTH) <= 0
    finally:
        whole = SLOW | {"latency": 0, "downloadThroughput": -1, "uploadThroughput": -1}
        talk.send("Network.emulateNetworkConditions", whole)
        talk.detach()


@pytest.mark.parametrize("name", PAGES)
def test_by_keyboard_everything_is_reached_and_seen(screen: Screen, name: str) -> None:
    page = screen.go(PAGES[name])
    page.wait_for_function(SETTLED, timeout=20_000)
    page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true })")
    walked = walk(page)
    assert walked.missed == []
    assert walked.no_ring == []
    assert walked.hidden == []


def coat_and_back(page: Page) -> None:
    press_until(page, "Coat is on")
    page.keyboard.press("Enter")
    expect(page.locator("#flash")).to_contain_text("Recorded. No. 42")
    press_until(page, "Undo")
    page.keyboard.press("Enter")
    expect(page.locator("#flash")).to_contain_text("Taken back")


def coat_with_details(page: Page) -> None:
    press_until(page, "Record a coat with its details")
    page.keyboard.press("Enter")
    press_until(page, "Who")
    page.keyboard.type("Ines")
    press_until(page, "Record the coat")
    page.keyboard.press("Enter")
    expect(page.locator("#log")).to_contain_text("Ines")


def more_figures(page: Page) -> None:
    press_until(page, "More figures")
    page.keyboard.press("Enter")
    expect(page.locator("#air-all")).to_contain_text("Wet bulb")
    press_until(page, "Week")
    page.keyboard.press("Enter")
    expect(page).to_have_url(re.compile("span=7d|span=week"))


def hours_unfolded(page: Page) -> None:
    press_until(page, "Hour by hour")
    page.keyboard.press("Enter")
    expect(page.locator("#hourly table")).to_be_visible()


def a_flaw(page: Page) -> None:
    press_until(page, "Crazing")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("Crazing")


def figures_of_a_sheet(page: Page) -> None:
    press_until(page, "to recoat, hours")
    page.keyboard.press("Control+A")
    page.keyboard.type("1.1")
    press_until(page, "What they rest on")
    page.keyboard.type("sheet of May")
    page.keyboard.press("Enter")
    expect(page.locator("main")).to_contain_text(re.compile(r"Your version \d+ holds"))


def schedule_text(page: Page) -> None:
    press_until(page, "Edit the text")
    page.keyboard.press("Enter")
    press_until(page, "YAML")
    page.keyboard.press("Control+End")
    page.keyboard.type("# looked through")
    press_until(page, "Keep as a new version")
    page.keyboard.press("Enter")
    expect(page.locator("main")).to_contain_text(re.compile(r"Your version \d+ holds"))


def one_sensor(page: Page) -> None:
    press_until(page, "wall")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_contain_text("wall")


def flaws_looked_for(page: Page) -> None:
    press_until(page, "Look for some")
    page.keyboard.press("Enter")
    press_until(page, "Kind")
    page.keyboard.type("Blush")
    press_until(page, "Look")
    page.keyboard.press("Enter")
    expect(page).to_have_url(re.compile("kind=blush"))
    expect(page.locator(".flaw-list li").first).to_contain_text("Blush")


def shop_named(page: Page) -> None:
    press_until(page, "Name of the shop")
    page.keyboard.press("Control+A")
    page.keyboard.type("Saltmarsh Strings")
    page.keyboard.press("Enter")
    expect(page.locator("#flash")).to_contain_text("Set, and in force")


ACTS: dict[str, Callable[[Page], None]] = {
    "now": coat_and_back,
    "instruments": coat_and_back,
    "instrument": coat_with_details,
    "air": more_figures,
    "outlook": hours_unfolded,
    "flaw tiles": a_flaw,
    "material": figures_of_a_sheet,
    "schedule": schedule_text,
    "sensors": one_sensor,
    "flaws": flaws_looked_for,
    "settings": shop_named,
}


@pytest.mark.parametrize("name", PAGES)
def test_by_keyboard_its_act_is_done(screen: Screen, name: str) -> None:
    page: Any = screen.go(PAGES[name])
    page.wait_for_function(SETTLED, timeout=20_000)
    ACTS[name](page)
