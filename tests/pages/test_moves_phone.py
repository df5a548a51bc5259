"""A planned move that falls due, on a phone: shown by itself, one tap says that it was made."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import Any

import pytest
from offlinekit import settle
from playwright.sync_api import expect

from service.store.notice_book import NoticeBook

pytestmark = pytest.mark.real

SOON = 8000
MOVED = re.compile(r"^Moved.*No\. 41")


@pytest.fixture
def planned(bench: Any) -> Any:
    """Number 41 is to go from booth to rack at 10:00; it is 9:00."""
    bench.work.hang(1, "rack", bench.clock.now() + timedelta(hours=1))
    return bench


def fall_due(shop: Any) -> None:
    shop.jump(hours=1, minutes=4)
    (notice,) = [
        n
        for n in NoticeBook(shop.db, shop.clock, shop.catalogue, shop.desk).look()
        if n.kind == "move-due"
    ]
    shop.hub.publish("notice", {"id": notice.id})


def hung(shop: Any) -> str:
    newest = next(e for e in shop.desk.log(1) if not e.undone)
    return f"{newest.text} {newest.at:%H:%M}"


def test_it_turns_due_by_itself_and_the_card_takes_the_tap(planned: Any, phone: Any) -> None:
    page = phone.go("/instruments")
    card = page.locator("#card-1")
    expect(card).to_contain_text("To rack 10:00, as planned.")
    fall_due(planned)
    expect(card).to_contain_text("Move it to rack now", timeout=SOON)
    card.get_by_role("button", name=MOVED).click()
    expect(page.locator("#flash")).to_contain_text("Recorded. No. 41: hung in rack")
    expect(card).not_to_contain_text("Move it to rack")
    expect(page.locator("#tab-notices .count")).to_have_count(0)
    assert hung(planned) == "hung in rack 10:04"
    page.locator("#flash").get_by_role("button", name="Undo").click()
    expect(card).to_contain_text("Move it to rack now")
    assert hung(planned) == "hung in rack 10:00"


def test_the_notice_takes_the_tap_too(planned: Any, phone: Any) -> None:
    page = phone.go("/")
    fall_due(planned)
    told = page.locator("#told .notice-new")
    expect(told).to_contain_text(
        "Move No. 41 (tenor ukulele) to Rack now: planned for 10:00", timeout=SOON
    )
    told.get_by_role("button", name=MOVED).click()
    expect(page.locator("#told .notice-new")).to_have_count(0)
    assert hung(planned) == "hung in rack 10:04"


def test_a_tap_without_connection_counts_with_its_time(planned: Any, open_page: Any) -> None:
    visit = open_page()
    page = visit.go("/instruments/1")
    fall_due(planned)
    expect(page.locator("#now")).to_contain_text("Move it to rack now", timeout=SOON)
    settle(page)
    page.context.set_offline(offline=True)
    page.locator("#now").get_by_role("button", name=MOVED).click()
    expect(page.locator("#waiting")).to_contain_text("1 tap waits")
    planned.jump(minutes=20)
    page.context.set_offline(offline=False)
    expect(page.locator("#waiting")).to_have_count(0, timeout=20_000)
    assert hung(planned) == "hung in rack 10:04"
    visit.complaints.clear()
