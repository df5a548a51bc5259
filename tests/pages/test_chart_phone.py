"""The chart under a finger: read off, looked into with two, moved along, and back to all of it."""

from __future__ import annotations

import re
import time
from datetime import datetime
from typing import Any
from urllib.parse import parse_qs, urlsplit

import pytest
from playwright.sync_api import Page, expect

pytestmark = pytest.mark.real

SPAN = """() => { const c = document.querySelector('.chart .u-over');
  return [c.clientWidth, c.getBoundingClientRect().left, c.getBoundingClientRect().top]; }"""


class Fingers:
    """Touches by Chromium's own input, as a screen sends them."""

    def __init__(self, page: Page) -> None:
        self.client = page.context.new_cdp_session(page)
        page.locator(".chart .u-over").first.scroll_into_view_if_needed()
        self.width, self.left, self.top = page.evaluate(SPAN)

    def touch(self, kind: str, *parts: float) -> None:
        """``parts`` are shares of the chart's width."""
        points = [
            {"x": self.left + part * self.width, "y": self.top + 60, "id": number}
            for number, part in enumerate(parts)
        ]
        self.client.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    def move(self, *ways: tuple[float, float], steps: int = 8) -> None:
        """Put down, move and lift as many fingers as ways are given."""
        self.touch("touchStart", *(a for a, _ in ways))
        for n in range(1, steps + 1):
            self.touch("touchMove", *(a + (b - a) * n / steps for a, b in ways))
        self.touch("touchEnd")


@pytest.fixture
def page(bench: Any, open_page: Any) -> Page:
    shown: Page = open_page(has_touch=True).go("/air/booth?material=nitro-lacquer-gun")
    expect(shown.locator(".chart canvas")).to_have_count(2)
    return shown


def asked(page: Page) -> list[str]:
    """Spans of history that the page asks for from now on."""
    found: list[str] = []
    page.on("request", lambda r: found.append(r.url) if "/history?" in r.url else None)
    return found


def hours(address: str) -> float:
    """Length of the span that an address asks for."""
    given = parse_qs(urlsplit(address).query)
    start, end = (datetime.fromisoformat(given[name][0]) for name in ("from", "to"))
    return (end - start).total_seconds() / 3600


def asks_for(page: Page, found: list[str], long: Any) -> None:
    """Wait until a span of so many hours was asked for last."""
    until = time.monotonic() + 20
    while not (found and hours(found[-1]) == long):
        assert time.monotonic() < until, f"asked for: {found}"
        page.wait_for_timeout(50)


def test_a_finger_along_the_chart_reads_it_off(page: Page) -> None:
    legend = page.locator(".chart-legend")
    fingers = Fingers(page)
    fingers.move((0.2, 0.25))
    first = legend.inner_text()
    fingers.move((0.6, 0.7))
    second = legend.inner_text()
    assert first != second
    assert re.search(r"\d\d:\d\d", second)
    assert "dew point" in second


def test_two_fingers_look_closer_and_a_double_tap_shows_all(page: Page) -> None:
    found = asked(page)
    fingers = Fingers(page)
    fingers.move((0.45, 0.2), (0.55, 0.8))
    asks_for(page, found, pytest.approx(24 / 6, rel=0.1))  # six times as far apart
    page.wait_for_timeout(600)  # nothing more is asked: the taps that follow are of their own
    found.clear()
    for _ in range(2):
        fingers.touch("touchStart", 0.5)
        fingers.touch("touchEnd")
    asks_for(page, found, pytest.approx(24.0, rel=0.01))


def test_buttons_do_the_same_for_gloves_and_keys(page: Page) -> None:
    found = asked(page)
    page.get_by_role("button", name="Closer").click()
    asks_for(page, found, pytest.approx(12.0, rel=0.01))
    closer = found[-1]
    found.clear()
    page.get_by_role("button", name="Earlier").press("Enter")
    asks_for(page, found, pytest.approx(12.0, rel=0.01))
    assert found[-1] != closer


def test_new_readings_do_not_move_what_is_looked_at(bench: Any, page: Page) -> None:
    found = asked(page)
    page.get_by_role("button", name="Closer").click()
    asks_for(page, found, pytest.approx(12.0, rel=0.01))
    page.wait_for_timeout(600)
    found.clear()
    bench.turn(23.0, 50.0, minutes=10)
    page.wait_for_timeout(2500)
    assert found == []
    expect(page.locator(".chart canvas")).to_have_count(2)


def test_the_film_is_drawn_when_it_has_been_reckoned(shop: Any, open_page: Any) -> None:
    shop.read_day("booth", 22.0, 45.0)
    page = open_page().go("/air/booth?material=nitro-lacquer-gun")
    expect(page.locator(".chart-legend .key-dew")).to_be_visible()
    expect(page.locator(".chart-legend .key-film")).to_have_count(0)
    shop.desk.refresh_outlooks()  # as the service does by itself, a little later
    expect(page.locator(".chart-legend .key-film")).to_be_visible(timeout=40_000)
