"""The pages of sign-in by the rules of WCAG 2.2 A and AA that a program can check."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser
from test_pages_axe import NARROW, PHONE, WIDE, judge

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "web"))

from signinkit import FINISHER, GUEST, OWNER, PASSWORD, GuardedShop, guarded_shop

pytestmark = pytest.mark.real


@pytest.fixture(scope="module")
def guarded(tmp_path_factory: pytest.TempPathFactory) -> Iterator[GuardedShop]:
    with guarded_shop(tmp_path_factory.mktemp("shop")) as made:
        made.owner()
        made.invited(FINISHER, "finisher")
        made.invited(GUEST, "guest")
        made.people.add("Dora")
        made.wall()
        made.program("readings", days=30)
        yield made


@pytest.mark.parametrize("lang", ["en", "de"])
@pytest.mark.parametrize("size", [NARROW, PHONE, WIDE], ids=["narrow", "phone", "wide"])
def test_the_pages_of_sign_in(
    browser: Browser, guarded: GuardedShop, size: dict[str, int], lang: str
) -> None:
    context = browser.new_context(viewport=size, locale=lang, bypass_csp=True)
    page = context.new_page()
    invited = guarded.doors.links.make("invite", "guest", 2)
    links = [f"/welcome/{one}" for one in (guarded.doors.links.make("owner", "owner"), invited)]
    wall = f"/welcome/{guarded.doors.links.make('wall')}"
    found: dict[str, object] = {}

    def look(path: str) -> None:
        page.goto(guarded.url + path)
        page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true })")
        if wrong := judge(page):
            found[path] = wrong
        overflow = page.evaluate(
            "document.documentElement.scrollWidth - document.documentElement.clientWidth"
        )
        if overflow > 0:
            found[f"{path} is too wide"] = overflow

    for path in (*links, wall, "/welcome/over", "/sign-in"):
        look(path)
    page.locator("[name=name]").fill(OWNER)
    page.locator("[name=password]").fill(PASSWORD)
    page.locator("form[action='/sign-in'] button").click()
    page.wait_for_url(guarded.url + "/")
    for path in ("/settings/sign-in", "/settings/access", "/settings/trail", "/nothing"):
        look(path)
    guarded.real.advance(minutes=11)
    look("/sign-in/again")
    assert found == {}
    context.close()
