"""The calendar's page on a phone and a wide screen: it fits, it can be read, its button works."""

from __future__ import annotations

from typing import Any

import pytest
from playwright.sync_api import expect
from test_pages_form import CONTRAST, LEAST_TARGET_PX, SIZES, TARGETS, unfold

pytestmark = pytest.mark.real


@pytest.mark.parametrize(
    ("size", "scheme"), [("phone", "light"), ("phone", "dark"), ("wide", "light")]
)
def test_the_page_fits_reaches_and_can_be_read(
    shop: Any, open_page: Any, size: str, scheme: str
) -> None:
    page = open_page(SIZES[size], color_scheme=scheme).go("/settings/calendar")
    unfold(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= SIZES[size]["width"]
    assert page.evaluate(TARGETS % LEAST_TARGET_PX) == []
    assert page.evaluate(CONTRAST) == []
    assert page.locator("h1").count() == 1


@pytest.mark.parametrize("script", [True, False])
def test_a_new_address_is_two_taps_away(shop: Any, open_page: Any, script: bool) -> None:
    page = open_page(java_script_enabled=script).go("/settings")
    page.get_by_role("link", name="Calendar").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Calendar")
    old = page.locator("code.address").inner_text()
    link = page.get_by_role("link", name="Open in this device's calendar")
    assert link.get_attribute("href") == old.replace("http://", "webcal://")
    expect(page.get_by_text("Only this machine can reach it")).to_be_visible()
    page.locator("summary", has_text="Make a new address").click()
    page.get_by_role("button", name="Make a new address").click()
    expect(page.get_by_text("A new address was made")).to_be_visible()
    assert page.locator("code.address").inner_text() != old
    assert shop.http.get("/calendar/" + old.rpartition("/")[2]).status_code == 404
