"""Shape and reach: nothing runs over the edge, targets fit a gloved thumb, words stand out."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from playwright.sync_api import Page

pytestmark = pytest.mark.real

SIZES = {"phone": {"width": 390, "height": 844}, "wide": {"width": 1280, "height": 800}}
LEAST_TARGET_PX = 44

# Interactive things and their boxes. A link inside a sentence is left out, as WCAG 2.2 (2.5.8,
# "inline") does.
TARGETS = """() => [...document.querySelectorAll(
    'button, select, summary, input:not([type=checkbox]), label.tick, nav a, a.plain, a.go')]
  .filter(e => e.checkVisibility() && e.type !== 'hidden')
  .map(e => { const b = e.getBoundingClientRect();
    return [e.tagName + ' ' + (e.textContent || e.name).trim().slice(0, 30), b.width, b.height]; })
  .filter(([, , height]) => height < %d)"""

# Contrast of text against what lies behind it, by the formula of WCAG 2.2.
CONTRAST = """() => {
  const lum = ([r, g, b]) => [r, g, b].map(v => v / 255)
    .map(v => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)
    .reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
  const parse = text => text.match(/[\\d.]+/g).map(Number);
  const behind = element => {
    for (let at = element; at; at = at.parentElement) {
      for (const pseudo of [null, '::before']) {
        const style = getComputedStyle(at, pseudo);
        const covers = style.position === 'absolute' && style.inset === '0px';
        if (pseudo && (style.content === 'none' || !covers)) continue;
        const colour = parse(style.backgroundColor);
        if (colour.length < 4 || colour[3] === 1) return colour;
      }
    }
    return [255, 255, 255];
  };
  const bad = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const element = walker.currentNode.parentElement;
    if (!walker.currentNode.textContent.trim() || !element.checkVisibility()) continue;
    if (element.closest('svg, noscript, .visually-hidden, script, option')) continue;
    const front = lum(parse(getComputedStyle(element).color));
    const back = lum(behind(element));
    const ratio = (Math.max(front, back) + 0.05) / (Math.min(front, back) + 0.05);
    const text = walker.currentNode.textContent.trim().slice(0, 40);
    if (ratio < 4.5) bad.push([text, ratio.toFixed(2)]);
  }
  return bad;
}"""


@pytest.fixture
def full(bench: Any) -> Any:
    """A shop with everything a page can show."""
    now = bench.clock.now()
    bench.work.record_coat(1, at=now - timedelta(hours=3), who="bench 1", note="thin " * 30)
    bench.work.record_coat(2, at=now - timedelta(minutes=10))
    bench.work.flaws.log(1, kind="blush", part="back", note="white")
    bench.tell("sensor-silent", "Sensor yard in outdoors has been silent for 14 min")
    bench.tell("stop-spraying", "Stop spraying in booth: No. 41 is wet", instrument_id=1)
    bench.reject(b'{"air_c": NaN, "note": "' + b"x" * 300 + b'"}', "air_c", "is not a number")
    return bench


PATHS = (
    "/", "/instruments", "/instruments/1", "/instruments/new", "/places", "/places/new",
    "/air/booth", "/air/booth/table", "/flaws", "/flaws/1", "/instruments/1/flaw", "/notices",
    "/rejects", "/about",
)  # fmt: skip


def unfold(page: Page) -> None:
    page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true })")


@pytest.mark.parametrize(
    ("size", "scheme"), [("phone", "light"), ("phone", "dark"), ("wide", "light")]
)
def test_every_page_fits_reaches_and_can_be_read(
    full: Any, open_page: Any, size: str, scheme: str
) -> None:
    visit = open_page(SIZES[size], color_scheme=scheme)
    for path in PATHS:
        page = visit.go(path)
        unfold(page)
        width = page.evaluate("document.documentElement.scrollWidth")
        assert width <= SIZES[size]["width"], f"{path} is {width} wide"
        assert page.evaluate(TARGETS % LEAST_TARGET_PX) == [], path
        assert page.evaluate(CONTRAST) == [], path
        assert page.locator("h1").count() == 1, path
        assert page.title().endswith("Boothglass"), path


@pytest.mark.parametrize("answer", ["spray", "wait", "unknown"])
def test_each_answer_is_a_word_and_a_shape_of_its_own(
    full: Any, open_page: Any, answer: str
) -> None:
    full.jump(minutes=1)
    if answer == "wait":
        full.turn(24.0, 85.0)
    if answer == "unknown":
        full.jump(hours=1)
    visit = open_page(color_scheme="light")
    page = visit.go("/?place=booth&material=nitro-lacquer-gun")
    tag = page.locator("#check .tag:visible")
    assert tag.locator(".answer").inner_text().endswith(answer.capitalize())
    assert tag.locator("svg.shape > *").count() >= 1
    page.locator("html.script").wait_for()
    shape = tag.locator("svg.shape").inner_html()
    others = page.locator("#check [data-fallback] svg.shape").inner_html()
    assert (shape == others) == (answer == "unknown")
    assert page.evaluate(CONTRAST) == []


def test_the_keyboard_reaches_everything_and_sees_where_it_is(full: Any, open_page: Any) -> None:
    page = open_page().go("/instruments/1")
    seen = []
    for _ in range(60):
        page.keyboard.press("Tab")
        found = page.evaluate(
            """() => { const e = document.activeElement; const s = getComputedStyle(e);
            return [e.tagName, (e.textContent || e.name || '').trim().slice(0, 24),
                    s.outlineStyle !== 'none' && parseFloat(s.outlineWidth) >= 2]; }"""
        )
        if found[0] == "BODY":
            break
        seen.append(found)
    assert all(visible for _, _, visible in seen), seen
    words = " ".join(text for _, text, _ in seen)
    for wanted in ("To the page", "Pieces", "Record a coat", "Log a flaw", "Undo", "About"):
        assert wanted in words
