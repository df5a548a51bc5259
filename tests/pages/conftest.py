"""A real browser, Debian's Chromium, on pages of a shop that is really served."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from equipment import command
from playwright.sync_api import Browser, BrowserContext, Page, expect, sync_playwright

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "web"))

from shopkit import LiveShop, live_shop

expect.set_options(timeout=15_000)  # a busy machine is no failure; what is there is seen at once

PHONE = {"width": 390, "height": 844}
WIDE = {"width": 1280, "height": 800}

ARGUMENTS = [
    "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip


@dataclass
class Visit:
    """A page on a phone (or a wide screen), and everything it complained of or asked for."""

    shop: LiveShop
    page: Page
    complaints: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)

    def go(self, path: str) -> Page:
        """Open a page of the shop."""
        self.page.goto(self.shop.url + path)
        return self.page


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Chromium, headless."""
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=command("chromium"), args=ARGUMENTS)
        yield started
        started.close()


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[LiveShop]:
    """An empty shop, served."""
    with live_shop(tmp_path) as made:
        yield made


@pytest.fixture
def open_page(browser: Browser, shop: LiveShop) -> Iterator[Any]:
    """Make visits; at the end none of them may have complained or reached out."""
    contexts: list[BrowserContext] = []
    visits: list[Visit] = []

    def make(size: dict[str, int] = PHONE, **options: Any) -> Visit:
        context = browser.new_context(viewport=size, **options)
        contexts.append(context)
        visit = Visit(shop, context.new_page())
        visits.append(visit)
        visit.page.on("console", lambda said: _listen(visit, said.type, said.text))
        visit.page.on("pageerror", lambda error: visit.complaints.append(f"error: {error}"))
        visit.page.on("request", lambda request: visit.asked.append(request.url))
        return visit

    yield make
    for context in contexts:
        context.close()
    for visit in visits:
        assert visit.complaints == []
        assert [url for url in visit.asked if not url.startswith(shop.url)] == []


def _listen(visit: Visit, kind: str, text: str) -> None:
    if kind in {"error", "warning"}:
        visit.complaints.append(f"{kind}: {text}")


@pytest.fixture
def phone(open_page: Any) -> Visit:
    """A phone, 390 by 844."""
    visit: Visit = open_page()
    return visit


@pytest.fixture
def bench(shop: LiveShop) -> LiveShop:
    """A shop with a day of good air and two pieces at their first coat."""
    shop.read_day("booth", 22.0, 45.0)
    shop.read_day("rack", 21.5, 48.0)
    shop.add_piece("41")
    shop.add_piece("42", kind="octave mandolin", woods="spruce and maple", place="rack")
    return shop
