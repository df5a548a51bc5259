"""Installed, without connection, on a slow link: what is known is dated, and no tap is lost."""

from __future__ import annotations

import re
import struct
from datetime import timedelta
from typing import Any

import httpx
import pytest
from equipment import eventually
from keykit import press_until
from offlinekit import settle
from playwright.sync_api import BrowserContext, CDPSession, Page, expect

pytestmark = pytest.mark.real

CHECK = "/?place=booth&material=nitro-lacquer-gun"
SOON = 10_000
TAP = re.compile("Coat is on.*No. 41")

KEPT_NAMES = """async () => {
  const names = [];
  for (const cache of await caches.keys()) {
    for (const kept of await (await caches.open(cache)).keys()) names.push(kept.url);
  }
  return names;
}"""


def answer(page: Page) -> Any:
    return page.locator("#check .tag:visible .answer")


def coats(shop: Any, piece: int = 1) -> list[Any]:
    return [e for e in shop.desk.log(piece) if e.kind == "coat" and not e.undone]


def talk(page: Page) -> CDPSession:
    return page.context.new_cdp_session(page)


@pytest.fixture
def visit(bench: Any, open_page: Any) -> Any:
    """A phone on the first page, which works without connection from here on."""
    made = open_page()
    made.go(CHECK)
    settle(made.page)
    yield made
    # Chromium itself notes each connection that failed; nothing else may be said.
    assert all("ERR_" in said for said in made.complaints), made.complaints
    made.complaints.clear()


def cut(context: BrowserContext) -> None:
    context.set_offline(offline=True)


def join(context: BrowserContext) -> None:
    context.set_offline(offline=False)


def test_chromium_would_install_it(bench: Any, phone: Any) -> None:
    page = phone.go("/")
    settle(page)
    session = talk(page)
    # A browser of a test is a private window, which installs nothing: that is all it has to say.
    against = session.send("Page.getInstallabilityErrors")["installabilityErrors"]
    assert {error["errorId"] for error in against} <= {"in-incognito"}
    manifest = session.send("Page.getAppManifest")
    assert manifest["errors"] == []
    told = bench.http.get("/manifest.webmanifest").json()
    assert {told["id"], told["start_url"], told["scope"]} == {"/"}
    sizes = set()
    for icon in told["icons"]:
        got = httpx.get(bench.url + icon["src"])
        assert got.status_code == 200
        if icon["type"] == "image/png":
            # PNG (ISO/IEC 15948): width and height stand after signature, length and "IHDR".
            assert got.content[:8] == b"\x89PNG\r\n\x1a\n"
            width, height = struct.unpack(">II", got.content[16:24])
            assert f"{width}x{height}" == icon["sizes"]
            sizes.add((icon["sizes"], icon.get("purpose", "any")))
    assert {s for s, _ in sizes} == {"192x192", "512x512"}
    assert {p for _, p in sizes} == {"any", "maskable"}
    touch = page.locator("link[rel=apple-touch-icon]").get_attribute("href")
    assert httpx.get(bench.url + touch).headers["content-type"] == "image/png"


def test_without_connection_the_last_answer_is_dated_and_does_not_count(
    bench: Any, visit: Any
) -> None:
    page = visit.page
    expect(answer(page)).to_have_text(re.compile("Spray$"))
    for path in ("/instruments", "/instruments/1", "/air/booth"):
        visit.go(path)
        settle(page)
    cut(page.context)
    visit.go(CHECK)
    expect(answer(page)).to_have_text(re.compile("Unknown$"))
    expect(page.get_by_text("Spray", exact=True).locator("visible=true")).to_have_count(0)
    known = page.locator(".last-known")
    expect(known).to_contain_text("Last known: spray")
    expect(known.locator("b")).to_have_text(re.compile(r"^\d+ s ago$"))
    assert known.locator("b").evaluate("e => parseFloat(getComputedStyle(e).fontSize)") >= 36
    before = known.locator("b").inner_text()
    expect(known.locator("b")).not_to_have_text(before, timeout=4000)  # it ticks
    expect(page.locator(".mini-word").first).to_be_hidden()
    for path, shown in (
        ("/instruments", "No. 41"), ("/instruments/1", "Seal"), ("/air/booth", "Dew point"),
    ):  # fmt: skip
        visit.go(path)
        expect(page.locator("#cut-note")).to_contain_text(re.compile(r"this page is \d+ s old"))
        expect(page.locator("#main")).to_contain_text(shown)
    visit.go("/settings/people")
    expect(page.get_by_role("heading", level=1)).to_have_text("No connection")
    expect(page.locator("#kept-pages li")).to_have_count(4)
    kept = page.evaluate(KEPT_NAMES)
    assert [name for name in kept if "/api/" in name or "people" in name] == []
    # With the connection everything is as it is now again, by itself.
    visit.go(CHECK)
    join(page.context)
    expect(answer(page)).to_have_text(re.compile("Spray$"), timeout=SOON)
    expect(page.locator("#cut-note")).to_have_count(0)


def test_a_kept_page_doubts_itself_without_its_script(bench: Any, visit: Any) -> None:
    page = visit.page
    page.evaluate(
        """async () => {
          for (const name of await caches.keys()) {
            const cache = await caches.open(name);
            for (const kept of await cache.keys()) {
              if (kept.url.includes("app.js")) await cache.delete(kept);
            }
          }
        }"""
    )
    talk(page).send("Network.clearBrowserCache")
    cut(page.context)
    visit.go(CHECK)
    expect(page.locator("html.script")).to_have_count(0)
    expect(answer(page)).to_have_text(re.compile("Unknown$"))
    expect(page.locator("#cut-note")).to_contain_text("as it was on")


def test_a_tap_without_connection_is_recorded_once_with_its_time(
    bench: Any, visit: Any, open_page: Any
) -> None:
    page = visit.page
    made = bench.clock.now()
    cut(page.context)
    page.get_by_role("button", name=TAP).dblclick()
    expect(page.locator("#flash")).to_contain_text("Your tap is kept")
    waiting = page.locator("#waiting")
    expect(waiting).to_contain_text("1 tap waits for the connection")
    expect(waiting.locator("li")).to_contain_text(re.compile(r"Coat is on.*No\. 41, tapped 09:0"))
    button = page.locator("#card-1").get_by_role("button", name="Waits to be sent")
    expect(button).to_be_disabled()
    assert coats(bench) == []
    # The tab is closed; 38 minutes later, with the connection back, another is opened.
    context = page.context
    page.close()
    bench.jump(minutes=38)
    join(context)
    visit.page = context.new_page()
    visit.go("/instruments")  # by now the browser itself may have had it sent
    expect(visit.page.locator("#card-1")).to_contain_text("Drying", timeout=SOON)
    expect(visit.page.locator("#waiting")).to_have_count(0)
    (coat,) = coats(bench)
    assert abs(coat.at - made) < timedelta(seconds=10)
    assert bench.clock.now() - coat.at > timedelta(minutes=37)


def test_a_tap_that_waits_can_be_dropped(bench: Any, visit: Any) -> None:
    page = visit.page
    cut(page.context)
    page.get_by_role("button", name=TAP).click()
    page.locator("#waiting").get_by_role("button", name=re.compile("^Drop")).click()
    expect(page.locator("#waiting")).to_have_count(0)
    expect(page.get_by_role("button", name=TAP)).to_be_enabled()
    join(page.context)
    expect(answer(page)).to_have_text(re.compile("Spray$"), timeout=SOON)
    assert coats(bench) == []


def test_a_tap_whose_step_moved_on_is_shown_until_it_is_put_away(bench: Any, visit: Any) -> None:
    page = visit.page
    cut(page.context)
    page.get_by_role("button", name=TAP).click()
    expect(page.locator("#waiting")).to_contain_text("1 tap waits")
    bench.work.record_coat(1)  # somebody else, on another phone
    join(page.context)
    waiting = page.locator("#waiting")
    expect(waiting).to_contain_text("Not recorded", timeout=SOON)
    expect(waiting).to_contain_text("that step had already moved on")
    assert len(coats(bench)) == 1
    page.reload()
    waiting.get_by_role("button", name=re.compile("^Put away")).click()
    expect(waiting).to_have_count(0)


def test_an_answer_that_is_lost_on_its_way_is_no_second_coat(bench: Any, visit: Any) -> None:
    page = visit.page
    lost = []

    def lose(route: Any) -> None:
        if route.request.method == "POST" and not lost:
            lost.append(route.fetch(max_redirects=0).status)
            route.abort("connectionreset")
        else:
            route.continue_()

    page.route("**/instruments/1/coat", lose)
    page.get_by_role("button", name=TAP).click()
    expect(page.locator("#card-1")).to_contain_text("Drying", timeout=SOON)
    expect(page.locator("#waiting")).to_have_count(0, timeout=20_000)
    assert lost == [303]
    assert len(coats(bench)) == 1


def test_details_typed_without_connection_are_kept_too(bench: Any, visit: Any) -> None:
    page = visit.go("/instruments/1")
    settle(page)
    cut(page.context)
    page.locator("#form-coat > summary").click()
    page.locator("#form-coat").get_by_label("Wet film").fill("95")
    page.locator("#form-coat").get_by_label("Who").fill("Ines")
    page.get_by_role("button", name="Record the coat").click()
    expect(page.locator("#waiting")).to_contain_text("Record the coat, No. 41")
    join(page.context)
    expect(page.locator("#waiting")).to_have_count(0, timeout=SOON)
    (coat,) = coats(bench)
    assert (coat.wet_um, coat.who) == (95.0, "Ines")


def test_on_a_slow_link_the_kept_page_is_shown_meanwhile_and_a_tap_counts_once(
    bench: Any, visit: Any
) -> None:
    page = visit.page
    session = talk(page)
    session.send("Network.enable")
    slow = {
        "offline": False,
        "latency": 600,
        "downloadThroughput": 30_000,
        "uploadThroughput": 15_000,
    }
    session.send("Network.emulateNetworkConditions", slow)
    page.get_by_role("button", name=TAP).dblclick()
    expect(page.locator("#flash")).to_contain_text("Recorded. No. 41: Seal", timeout=20_000)
    assert len(coats(bench)) == 1
    session.send(
        "Network.emulateNetworkConditions",
        slow | {"latency": 0, "downloadThroughput": -1, "uploadThroughput": -1},
    )
    # Taken and never answered: what was kept is shown after four seconds, and does not count.
    bench.stop_serving(hang=True)
    visit.go(CHECK)
    expect(answer(page)).to_have_text(re.compile("Unknown$"))
    expect(page.locator(".last-known")).to_be_visible()
    bench.start()
    expect(answer(page)).to_have_text(re.compile("Spray$"), timeout=20_000)


def test_a_new_version_takes_over_and_reloads_nothing(bench: Any, visit: Any) -> None:
    page = visit.page
    first = page.evaluate("() => caches.keys()")
    page.evaluate("() => { document.body.dataset.same = 'page'; }")
    bench.app.state.shop.dashboards._stamps["/assets/app.css"] = "another00000"
    page.evaluate("async () => (await navigator.serviceWorker.getRegistration()).update()")
    eventually(lambda: changed(page, first), what="the new version is kept and the old one gone")
    assert page.locator("body").get_attribute("data-same") == "page"
    cut(page.context)
    visit.go(CHECK)
    # The page is of the version before: it finds the nearest style and script.
    expect(answer(page)).to_have_text(re.compile("Unknown$"))
    expect(page.locator("html.script")).to_have_count(1)


def changed(page: Page, first: list[str]) -> bool:
    now = page.evaluate("() => caches.keys()")
    return len(now) == len(first) and now != first


@pytest.mark.parametrize("size", [{"width": 390, "height": 844}, {"width": 1280, "height": 800}])
def test_by_keyboard_alone(bench: Any, open_page: Any, size: dict[str, int]) -> None:
    visit = open_page(size)
    page = visit.go(CHECK)
    settle(page)
    cut(page.context)
    press_until(page, "Coat is on")
    page.keyboard.press("Enter")
    expect(page.locator("#waiting")).to_contain_text("1 tap waits")
    press_until(page, "Drop: Coat is on")
    page.keyboard.press("Space")
    expect(page.locator("#waiting")).to_have_count(0)
    assert page.evaluate("() => document.activeElement.id") == "main"
    assert page.evaluate("() => document.documentElement.scrollWidth <= innerWidth")
    visit.complaints.clear()
