"""Every main page by the rules of WCAG 2.2 A and AA that a program can check (axe-core)."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page

pytestmark = pytest.mark.real

AXE = Path(__file__).resolve().parents[2] / "dashboards/node_modules/axe-core/axe.min.js"
RULES = {
    "type": "tag",
    "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
}

CONTRAST = {"type": "rule", "values": ["color-contrast"]}
RUN = """async runOnly => {
  const found = await axe.run(document, {runOnly});
  return found.violations.map(v => [v.id, v.help, v.nodes.slice(0, 4).map(n => n.html.slice(0, 160)
    + ' | ' + (n.any[0] ?? n.all[0] ?? n.none[0])?.message.slice(0, 200))]);
}"""

PATHS = (
    "/?place=booth&material=nitro-lacquer-gun", "/instruments", "/instruments/1", "/places",
    "/air/booth", "/air/booth/table", "/outlook/booth", "/plan", "/notices", "/flaws", "/flaws/1",
    "/materials", "/materials/nitro-lacquer-gun", "/schedules/lacquer-clear", "/sensors",
    "/instruments/1/flaw", "/settings", "/more", "/about", "/offline", "/wall",
    "/instruments/1/card",
)  # fmt: skip

PAPER = {"/instruments/1/card"}
"""A sheet has the two dimensions that it is printed in."""

PHONE, NARROW = {"width": 390, "height": 844}, {"width": 320, "height": 640}
WIDE = {"width": 1280, "height": 800}


@pytest.fixture
def full(bench: Any) -> Any:
    """A shop with four days of air, its outlook, and something on every page."""
    bench.read_day("booth", 22.0, 45.0, hours=96)
    now = bench.clock.now()
    bench.work.record_coat(1, at=now - timedelta(hours=3), who="bench 1")
    bench.work.record_coat(2, at=now - timedelta(minutes=10))
    bench.work.flaws.log(1, kind="blush", part="back", note="white")
    bench.tell("stop-spraying", "Stop spraying in booth: No. 41 is wet", instrument_id=1)
    bench.desk.refresh_outlooks()
    check = bench.desk.spray_check("booth", "nitro-lacquer-gun")
    bench.desk.windows("booth", check, wait=True)
    return bench


def judge(page: Page) -> list[Any]:
    page.evaluate(AXE.read_text("utf-8"))
    return list(page.evaluate(RUN, RULES))


@pytest.mark.parametrize("size", [PHONE, WIDE], ids=["phone", "wide"])
def test_no_rule_is_broken_on_any_page(full: Any, open_page: Any, size: dict[str, int]) -> None:
    visit = open_page(size, reduced_motion="reduce", color_scheme="light")
    broken = {}
    for path in PATHS:
        page = visit.go(path)
        page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true })")
        found = judge(page)
        if path == "/wall":
            # It loads itself anew should its script die; nobody reads or types at it meanwhile.
            found = [rule for rule in found if rule[0] != "meta-refresh"]
        if found:
            broken[path] = found
        # A theme changes colours and nothing else, so in the others these alone are judged.
        for theme in ("dark", "sun") if size is PHONE else ():
            page.evaluate("theme => { document.documentElement.dataset.theme = theme }", theme)
            if found := page.evaluate(RUN, CONTRAST):
                broken[path, theme] = found
    assert broken == {}


def test_the_look_is_chosen_by_a_cookie_or_by_the_device(bench: Any, open_page: Any) -> None:
    visit = open_page(color_scheme="dark")
    ground = "getComputedStyle(document.body).backgroundColor"
    page = visit.go("/about")
    assert page.evaluate(ground) == "rgb(20, 17, 15)"
    for theme, colour in (("light", "rgb(232, 234, 228)"), ("sun", "rgb(255, 255, 255)")):
        page.context.add_cookies([{"name": "theme", "value": theme, "url": bench.url}])
        assert visit.go("/about").evaluate(ground) == colour


def test_the_judge_finds_what_is_wrong(bench: Any, open_page: Any) -> None:
    page = open_page().go("/about")
    page.evaluate("document.querySelector('h1').innerHTML = '<a href=\"/\"></a><select></select>'")
    assert {"select-name", "link-name"} <= {rule for rule, *_ in judge(page)}


def test_at_four_times_the_size_of_a_wide_screen_nothing_runs_sideways(
    full: Any, open_page: Any
) -> None:
    # 1280 px at 400 % are 320 px of the style sheet (WCAG 2.2, 1.4.10).
    visit = open_page(NARROW)
    wide = {}
    for path in PATHS:
        if path in PAPER:
            continue
        page = visit.go(path)
        page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true })")
        if (width := page.evaluate("document.documentElement.scrollWidth")) > NARROW["width"]:
            wide[path] = width
    assert wide == {}


def test_whoever_asks_for_less_movement_gets_none(full: Any, open_page: Any) -> None:
    page = open_page(reduced_motion="reduce").go("/instruments/1")
    moving = page.evaluate(
        """() => [...document.querySelectorAll('*')].filter(e => {
          const s = getComputedStyle(e), b = getComputedStyle(e, '::before');
          return [s.animationDuration, s.transitionDuration, b.transitionDuration]
            .some(d => parseFloat(d) > 0); }).length"""
    )
    assert moving == 0
