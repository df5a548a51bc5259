"""Every page that a role can come to by the links it is shown: none refused, none broken."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import urljoin, urlsplit

import pytest
from conftest import PHONE, WIDE
from playwright.sync_api import Browser, BrowserContext, Page, expect

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "web"))

from signinkit import FINISHER, GUEST, PASSWORD, GuardedShop, guarded_shop

from service.web.signin.caller import Caller

pytestmark = pytest.mark.real

FILES = re.compile(r"\.(pdf|ics|json)$|^/(assets|icons)/|/export$|/photos/")
"""What a browser would keep as a file; asked for without being drawn."""


FORMS = """() => [...document.querySelectorAll("form[method=post]")]
    .filter((form) => getComputedStyle(form).display !== "none").map((form) => form.action)"""


@pytest.fixture(scope="module")
def guarded(tmp_path_factory: pytest.TempPathFactory) -> Iterator[GuardedShop]:
    """A shop with something on every page."""
    with guarded_shop(tmp_path_factory.mktemp("shop")) as made:
        made.owner()
        made.invited(FINISHER, "finisher")
        made.invited(GUEST, "guest")
        made.read_day("booth", 22.0, 45.0, hours=30)
        made.read_day("rack", 21.0, 50.0, hours=3)
        piece = made.add_piece("41")
        made.work.record_coat(piece)
        made.work.flaws.log(piece, kind="printing", part="back", severity=1)
        made.add_piece("42", kind="octave mandolin", place="rack")
        made.tell("ready", "No. 41 is ready", instrument_id=piece)
        made.reject(b"{}", "air_c", "is missing")
        yield made


def signed_in(
    browser: Browser, shop: GuardedShop, role: str, size: dict[str, int]
) -> BrowserContext:
    """A browser that the person of a role has come in with, by name and password."""
    context = browser.new_context(viewport=size)
    page = context.new_page()
    page.goto(shop.url + "/sign-in")
    names = {a.role: p.name for a, p in shop.doors.accounts.everybody()}
    page.locator("[name=name]").fill(names[role])
    page.locator("[name=password]").fill(PASSWORD)
    page.locator("form[action='/sign-in'] button").click()
    page.wait_for_url(shop.url + "/")
    return context


def links_of(page: Page, shop: GuardedShop) -> set[str]:
    """Paths of the shop that a page links to."""
    here = [urljoin(page.url, href) for href in page.eval_on_selector_all(
        "a[href]", "found => found.filter((one) => one.checkVisibility()).map((one) => one.href)"
    )]  # fmt: skip
    ours = [urlsplit(one) for one in here if one.startswith(shop.url)]
    return {part.path + (f"?{part.query}" if part.query else "") for part in ours}


def shape_of(path: str) -> str:
    """Pages that differ in their query alone are one; so are those of another number."""
    plain = urlsplit(path).path
    return plain if plain.startswith("/settings/people/") else re.sub(r"\d+", "0", plain)


@pytest.mark.parametrize("role", ["owner", "finisher", "guest"])
def test_every_page_that_is_linked_opens(browser: Browser, guarded: GuardedShop, role: str) -> None:
    context = signed_in(browser, guarded, role, WIDE if role == "owner" else PHONE)
    caller = next(
        Caller(role, person.name, account_id=account.id, person_id=person.id)
        for account, person in guarded.doors.accounts.everybody()
        if account.role == role
    )
    page = context.new_page()
    complaints: list[str] = []
    page.on("pageerror", lambda error: complaints.append(f"{page.url}: {error}"))
    page.on(
        "console",
        lambda said: (
            complaints.append(f"{page.url}: {said.text}")
            if said.type in {"error", "warning"}
            else None
        ),
    )
    waiting, seen, offered = ["/"], {"/"}, {}
    while waiting:
        path = waiting.pop()
        if FILES.search(urlsplit(path).path):
            answer = context.request.get(guarded.url + path)
            assert answer.status == 200, (role, path, offered.get(path))
            continue
        drawn = page.goto(guarded.url + path)
        assert drawn is not None
        assert drawn.status == 200, (role, path, offered.get(path), drawn.status)
        assert "/sign-in" not in page.url.replace("/settings/sign-in", ""), path
        for action in page.evaluate(FORMS):
            verdict = guarded.doors.rights.ask(caller, "POST", urlsplit(action).path)
            assert verdict == "may", (role, path, "offers what is refused", action)
        for link in links_of(page, guarded):
            if shape_of(link) not in seen:
                seen.add(shape_of(link))
                offered[link] = path
                waiting.append(link)
    print(f"{role}: {len(seen)} pages")
    assert len(seen) > {"owner": 35, "finisher": 30, "guest": 25}[role], sorted(seen)
    assert complaints == []
    context.close()


def test_a_wall_screen_comes_in_by_its_link_and_stays(
    browser: Browser, guarded: GuardedShop
) -> None:
    context = browser.new_context(viewport=WIDE)
    page = context.new_page()
    page.goto(f"{guarded.url}/welcome/{guarded.doors.links.make('wall')}")
    page.get_by_role("button", name="Show the wall screen here").click()
    page.wait_for_url(guarded.url + "/wall")
    assert page.locator("[data-answer]").first.is_visible()
    with page.expect_response(lambda answer: answer.url.startswith(guarded.url + "/wall")):
        guarded.turn(22.0, 46.0)
    assert page.url == guarded.url + "/wall"
    context.close()


def test_what_is_shown_once_does_not_count_itself_cut_off(
    browser: Browser, guarded: GuardedShop
) -> None:
    context = signed_in(browser, guarded, "owner", PHONE)
    page = context.new_page()
    page.goto(guarded.url + "/settings/access")
    page.get_by_role("button", name="Make a link for a wall screen").click()
    expect(page.locator("#link")).to_contain_text("/welcome/")
    page.wait_for_timeout(2500)
    guarded.hub.publish("work", {})
    page.wait_for_timeout(2500)
    expect(page.locator("body")).not_to_have_attribute("data-cut", "lost")
    expect(page.locator("#link")).to_contain_text("/welcome/")
    context.close()
