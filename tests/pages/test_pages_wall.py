"""The wall screen: read from three metres, live, and never showing an old answer as one of now."""

from __future__ import annotations

import math
import re
from typing import Any

import pytest
from offlinekit import settle
from playwright.sync_api import Page, expect

pytestmark = pytest.mark.real

WALL = "/wall?place=booth&material=nitro-lacquer-gun"
SOON = 10_000
TABLETS = {
    "lying": {"width": 1280, "height": 800},
    "standing": {"width": 800, "height": 1280},
    "squarer": {"width": 1024, "height": 768},
}

TEN_INCH_SIDE_MM = 25.4 * 10.0 * 10 / math.hypot(16, 10)
"""Shorter side of a 16:10 screen of ten inches from corner to corner: 135 mm."""

CAPITAL = 0.716
"""Height of a capital in the type size: Arial's, from its font file (OS/2 table)."""

FASTER = 30
"""The page's own animations run as many times as fast, so that the cover's 45 s pass in 1.5 s."""


def answer(page: Page) -> Any:
    return page.locator("#check .tag:visible .answer")


def hasten(page: Page) -> None:
    session = page.context.new_cdp_session(page)
    session.send("Animation.enable")
    session.send("Animation.setPlaybackRate", {"playbackRate": FASTER})


def cover(page: Page) -> float:
    return float(page.locator(".shroud").evaluate("e => getComputedStyle(e).opacity"))


def forgive(visit: Any) -> None:
    """Chromium itself notes each connection that failed; nothing else may be said."""
    assert all("ERR_" in said for said in visit.complaints), visit.complaints
    visit.complaints.clear()


@pytest.mark.parametrize("size", TABLETS.values(), ids=TABLETS)
def test_it_is_read_from_three_metres(bench: Any, open_page: Any, size: dict[str, int]) -> None:
    page = open_page(size).go(WALL)
    bench.turn(24.0, 85.0)
    expect(answer(page)).to_have_text(re.compile("Wait"), timeout=SOON)
    for selector, least_arcmin in (
        # Normal sight resolves letters of 5 minutes of arc; 6/12, half of it, those of 10.
        ("#check .tag-wait .answer", 20.0), ("#check .because:visible", 7.5),
        ("#today .number", 10.0), ("#today .when b", 7.5), ("#check .age", 7.5),
    ):  # fmt: skip
        size_px = page.locator(selector).first.evaluate(
            "e => parseFloat(getComputedStyle(e).fontSize)"
        )
        height_mm = CAPITAL * size_px * TEN_INCH_SIDE_MM / min(size["width"], size["height"])
        seen_arcmin = math.degrees(math.atan(height_mm / 3000.0)) * 60.0
        # Of the squarer screen the shorter side is longer, for the same ten inches.
        assert seen_arcmin > least_arcmin * (1.0 if size["width"] != 1024 else 0.85), selector
    for selector in ("#check .tag-wait", "#check .answer", "#today .number", "#shop-time"):
        box = page.locator(selector).first.bounding_box()
        assert box is not None
        assert box["x"] >= 0, selector
        assert box["x"] + box["width"] <= size["width"], selector
        assert box["y"] + box["height"] <= size["height"], selector
    assert page.evaluate("() => document.documentElement.scrollWidth <= innerWidth")
    spilt = page.locator("#check .tag-wait").evaluate("e => e.scrollHeight - e.clientHeight")
    assert spilt <= 1


def test_it_is_live_and_lists_who_is_ready_first(bench: Any, open_page: Any) -> None:
    page = open_page(TABLETS["lying"]).go(WALL)
    expect(answer(page)).to_have_text(re.compile("Spray"))
    expect(page.locator("#today .piece")).to_have_count(2)
    bench.work.record_coat(1)
    bench.app.state.shop.worked(1)
    first = page.locator("#today .piece").first
    expect(first).to_contain_text("42", timeout=SOON)
    expect(first).to_contain_text("Ready")
    expect(page.locator("#today .piece").last).to_contain_text(re.compile(r"41\s+\d\d:\d\d"))
    bench.turn(24.0, 85.0)
    expect(answer(page)).to_have_text(re.compile("Wait"), timeout=SOON)
    expect(page.locator(".age")).to_contain_text(re.compile(r"Read \d+ s ago"))
    # A coat whose clock has run is not called ready in air that says wait.
    assert bench.desk.card(2).act.state == "ready"
    bench.turn(24.0, 88.0, place="rack")
    expect(first.locator(".when")).to_contain_text("Air: wait", timeout=SOON)


def test_a_place_or_material_that_is_not_known_is_no_other(bench: Any) -> None:
    # A wall must not answer for another booth than the one it hangs at.
    for query in ("place=attic", "material=tar"):
        refused = bench.http.get(f"/wall?{query}", headers={"Accept": "text/html"})
        assert refused.status_code in {404, 422}
        assert query.partition("=")[0] in refused.text
        assert "data-check" not in refused.text


def test_an_empty_shop_says_so(shop: Any) -> None:
    assert "No place is known yet" in shop.http.get("/wall").text


def test_it_says_unknown_and_how_old_when_the_service_stops(bench: Any, open_page: Any) -> None:
    visit = open_page(TABLETS["lying"])
    page = visit.go(WALL)
    expect(answer(page)).to_have_text(re.compile("Spray"))
    settle(page)
    bench.stop_serving()
    expect(answer(page)).to_have_text(re.compile("Unknown"), timeout=SOON)
    known = page.locator(".last-known")
    expect(known).to_contain_text("Last known: spray")
    expect(known.locator("b")).to_have_text(re.compile(r"\d+ s ago"))
    assert known.locator("b").evaluate("e => parseFloat(getComputedStyle(e).fontSize)") > 90
    # Loaded anew meanwhile, as a tablet may do, it says the same from what was kept.
    page.reload()
    expect(answer(page)).to_have_text(re.compile("Unknown"))
    expect(known).to_contain_text("Last known: spray")
    bench.start()
    expect(answer(page)).to_have_text(re.compile("Spray"), timeout=20_000)
    forgive(visit)


def test_old_data_turn_it_unknown_although_the_service_answers(bench: Any, open_page: Any) -> None:
    page = open_page(TABLETS["lying"]).go(WALL)
    expect(answer(page)).to_have_text(re.compile("Spray"))
    bench.jump(minutes=25)
    bench.hub.publish("clock", {})
    expect(answer(page)).to_have_text(re.compile("Unknown"), timeout=SOON)
    expect(page.locator(".age")).to_have_text(re.compile("Read 25 min ago"))


def test_a_living_script_keeps_the_cover_off_and_a_dead_one_does_not(
    bench: Any, open_page: Any
) -> None:
    page = open_page(TABLETS["lying"]).go(WALL)
    expect(answer(page)).to_have_text(re.compile("Spray"))
    hasten(page)
    for _ in range(8):  # four seconds, 120 s by the page's animations
        page.wait_for_timeout(500)
        assert cover(page) == 0.0
    page.evaluate(
        "() => { for (let id = 1; id < 1000; id++) { clearInterval(id); clearTimeout(id); } }"
    )
    page.wait_for_function(
        "() => getComputedStyle(document.querySelector('.shroud')).opacity === '1'"
    )
    shroud = page.locator(".shroud")
    expect(shroud).to_contain_text("Unknown")
    expect(shroud).to_contain_text("This screen has stopped")
    box = shroud.bounding_box()
    assert box == {"x": 0, "y": 0} | TABLETS["lying"]
    on_top = "() => Boolean(document.elementFromPoint(200, 400).closest('.shroud'))"
    assert page.evaluate(on_top)
    # A touch loads it again.
    page.mouse.click(200, 400)
    page.wait_for_function(
        "() => getComputedStyle(document.querySelector('.shroud')).opacity === '0'"
    )
    expect(answer(page)).to_have_text(re.compile("Spray"))


def test_where_the_script_never_comes_the_cover_does(bench: Any, open_page: Any) -> None:
    visit = open_page(TABLETS["lying"])
    page = visit.page
    page.route("**/wall.js*", lambda route: route.abort("blockedbyclient"))
    visit.go(WALL)
    hasten(page)
    page.wait_for_function(
        "() => getComputedStyle(document.querySelector('.shroud')).opacity === '1'"
    )
    forgive(visit)


def test_without_script_it_is_loaded_anew_before_the_cover_comes(
    bench: Any, open_page: Any
) -> None:
    page = open_page(TABLETS["lying"], java_script_enabled=False).go(WALL)
    expect(answer(page)).to_have_text(re.compile("Spray"))
    again_s = [int(m) for m in re.findall(r'http-equiv="refresh" content="(\d+)"', page.content())]
    assert min(again_s) < 45


def test_a_screen_that_cannot_be_kept_awake_says_so(bench: Any, open_page: Any) -> None:
    visit = open_page(TABLETS["lying"])
    visit.page.add_init_script("delete Navigator.prototype.wakeLock")
    page = visit.go(WALL)
    expect(page.locator("#awake")).to_have_text(re.compile("may go to sleep"))
    kept = open_page(TABLETS["lying"])
    kept.page.add_init_script(
        """Object.defineProperty(navigator, 'wakeLock', {value: {request: async kind => {
             window.asked = kind; return new EventTarget(); }}})"""
    )
    awake = kept.go(WALL)
    awake.wait_for_function("() => window.asked === 'screen'")
    expect(awake.locator("#awake")).to_be_hidden()
