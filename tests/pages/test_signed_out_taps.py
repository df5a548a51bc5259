"""A phone whose session has ended: its taps are kept, it is asked to sign in, and none is lost."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from conftest import PHONE
from equipment import eventually
from playwright.sync_api import Browser, Page, expect

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "web"))

from signinkit import FINISHER, PASSWORD, GuardedShop, guarded_shop

pytestmark = pytest.mark.real


@pytest.fixture
def guarded(tmp_path: Path) -> Iterator[GuardedShop]:
    with guarded_shop(tmp_path) as made:
        made.read_day("booth", 22.0, 45.0, hours=2)
        made.owner()
        yield made


@pytest.fixture
def page(browser: Browser, guarded: GuardedShop) -> Iterator[Page]:
    """Ben's phone, signed in."""
    context = browser.new_context(viewport=PHONE)
    opened = context.new_page()
    ben = guarded.people.add(FINISHER)
    secret = guarded.doors.links.make("invite", "finisher", ben.id)
    opened.goto(f"{guarded.url}/welcome/{secret}")
    opened.locator("[name=password]").fill(PASSWORD)
    opened.get_by_role("button", name="Set it and go in").click()
    opened.wait_for_url(guarded.url + "/")
    yield opened
    context.close()


def end_sessions(shop: GuardedShop) -> None:
    (account,) = (a for a, p in shop.doors.accounts.everybody() if p.name == FINISHER)
    shop.doors.sessions.end_others(account.id, None)
    shop.doors.changed()


def tap_done(page: Page) -> None:
    page.locator("form[data-tap] button.go").first.click()


def sign_in(page: Page) -> None:
    page.locator("[name=name]").fill(FINISHER)
    page.locator("[name=password]").fill(PASSWORD)
    page.locator("form[action='/sign-in'] button").click()


def test_a_tap_of_an_ended_session_is_kept_and_sent_after_signing_in(
    page: Page, guarded: GuardedShop
) -> None:
    piece = guarded.add_piece("41")
    page.goto(f"{guarded.url}/instruments/{piece}")
    eventually(lambda: guarded.hub.listeners, what="the page is live")
    end_sessions(guarded)
    tap_done(page)
    expect(page.locator("#flash")).to_contain_text("Your tap is kept")
    expect(page.locator("#waiting")).to_contain_text("Kept until somebody signs in: 1")
    assert not [e for e in guarded.desk.log(piece) if e.kind in {"coat", "step"}]
    page.locator("#waiting").get_by_role("link", name="Sign in").click()
    expect(page.locator("#taps-wait")).to_be_visible()
    sign_in(page)
    page.wait_for_url(f"{guarded.url}/instruments/{piece}")
    expect(page.locator("#flash")).to_contain_text("Sent and recorded")
    done = [e for e in guarded.desk.log(piece) if e.kind in {"coat", "step"}]
    assert len(done) == 1
    assert done[0].who == FINISHER
    expect(page.locator("#waiting")).to_have_count(0)


def test_an_open_page_says_that_the_device_is_signed_out_and_claims_nothing(
    page: Page, guarded: GuardedShop
) -> None:
    page.goto(f"{guarded.url}/?place=booth")
    expect(page.locator("[data-answer]").first).to_be_visible()
    eventually(lambda: guarded.hub.listeners, what="the page is live")
    end_sessions(guarded)
    guarded.hub.publish("air", {"place": "booth"})
    expect(page.locator("#flash")).to_contain_text("This device is signed out.", timeout=15_000)
    expect(page.locator("body")).to_have_attribute("data-cut", "lost")
    page.locator("#flash").get_by_role("link", name="Sign in").click()
    sign_in(page)
    page.wait_for_url(f"{guarded.url}/?place=booth")
    expect(page.locator("body")).not_to_have_attribute("data-cut", "lost")


def test_signing_out_takes_the_kept_pages_and_leaves_the_taps(
    page: Page, guarded: GuardedShop
) -> None:
    piece = guarded.add_piece("41")
    page.goto(f"{guarded.url}/instruments")
    page.wait_for_function("navigator.serviceWorker.ready.then(() => true)")
    page.goto(f"{guarded.url}/instruments/{piece}")
    page.wait_for_function(
        "caches.open('boothglass-pages').then((c) => c.keys()).then((k) => k.length > 0)"
    )
    page.context.set_offline(True)
    tap_done(page)
    expect(page.locator("#waiting")).to_contain_text("waits for the connection")
    end_sessions(guarded)
    page.context.set_offline(False)
    page.goto(f"{guarded.url}/settings/sign-in")
    expect(page.get_by_role("heading", name="Sign in")).to_be_visible()
    page.wait_for_function("caches.has('boothglass-pages').then((there) => !there)")
    expect(page.locator("#taps-wait")).to_be_visible()
    sign_in(page)
    page.goto(f"{guarded.url}/instruments/{piece}")
    expect(page.locator("#waiting")).to_have_count(0, timeout=20_000)
    assert len([e for e in guarded.desk.log(piece) if e.kind in {"coat", "step"}]) == 1


def test_another_persons_sign_in_does_not_record_it_as_theirs(
    page: Page, guarded: GuardedShop
) -> None:
    piece = guarded.add_piece("41")
    guarded.invited("Cleo", "finisher")
    page.goto(f"{guarded.url}/instruments/{piece}")
    eventually(lambda: guarded.hub.listeners, what="the page is live")
    end_sessions(guarded)
    tap_done(page)
    page.locator("#waiting").get_by_role("link", name="Sign in").click()
    page.locator("[name=name]").fill("Cleo")
    page.locator("[name=password]").fill(PASSWORD)
    page.locator("form[action='/sign-in'] button").click()
    expect(page.locator("#waiting")).to_contain_text("was tapped by somebody else")
    assert not [e for e in guarded.desk.log(piece) if e.kind in {"coat", "step"}]
