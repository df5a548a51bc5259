"""After a start the windows are still being reckoned; when they are there, they show."""

from __future__ import annotations

from typing import Any

import pytest
from playwright.sync_api import expect

from service.web.pages.view import look_ahead, places_of

pytestmark = pytest.mark.real


def test_windows_come_to_a_page_that_is_open(shop: Any, open_page: Any) -> None:
    shop.read_day("booth", 22.0, 45.0, hours=96)
    visit = open_page()
    page = visit.go("/?place=booth&material=nitro-lacquer-gun")
    expect(page.locator(".window-box")).to_contain_text("shows here in a moment")
    page.evaluate("document.body.dataset.same = 'yes'")
    rooms = shop.app.state.shop

    def looked_ahead(place: str) -> None:  # what the service does at its start
        for asked in rooms.views.lately():
            look_ahead(rooms, asked)
        shop.hub.publish("outlook", {"place": place})

    looked_at = places_of(rooms, rooms.views.lately())
    assert looked_at == ["booth"]
    shop.desk.refresh_outlooks(looked_at, looked_ahead)
    expect(page.locator("svg.band-window")).to_be_visible(timeout=30_000)
    assert page.evaluate("document.body.dataset.same") == "yes"  # not loaded anew
    assert not visit.complaints
