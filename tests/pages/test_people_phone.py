"""The people's pages and the answer to a message in a real browser: fitting, reachable, one tap."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from playwright.sync_api import expect
from receiver import PostSender, Receiver
from test_pages_form import CONTRAST, LEAST_TARGET_PX, SIZES, TARGETS, unfold

pytestmark = pytest.mark.real


@pytest.fixture
def told(shop: Any) -> Iterator[tuple[Any, Receiver]]:
    """A shop with Ana, who is told by two channels, one of which fails, and Ben."""
    shop.senders.update(dict.fromkeys(("email", "mqtt", "webhook"), PostSender()))
    with Receiver() as receiver:
        receiver.answer = lambda body: 204 if body["kind"] == "sand-ready" else 503
        shop.people.add("Ana")
        shop.people.add("Rosalind Featherstonehaugh-Worthington")
        for kind, name, path in (("webhook", "bench lamp", ""), ("email", "E-mail " * 9, "/2")):
            shop.people.add_channel(1, kind, name, {"url": receiver.url + path, "to": "a@b.c" * 40})
        rules = {"ways": {"2": {"turn": "later", "kinds": ["stop-spraying"]}}, "escalate_min": 5}
        shop.people.change(1, telling=rules | {"group_min": 0, "then_person": 2})
        shop.tell("sand-ready", "No. 41 (tenor ukulele): ready for scuff sanding")
        shop.postman.work()
        shop.jump(minutes=5)
        shop.tell("stop-spraying", "Stop spraying in booth: No. 41 is wet")
        shop.postman.work()
        yield shop, receiver


def link(told: tuple[Any, Receiver]) -> str:
    shop, receiver = told
    return str(receiver.got[0]["ack_url"]).removeprefix(shop.url)


@pytest.mark.parametrize(
    ("size", "scheme"), [("phone", "light"), ("phone", "dark"), ("wide", "light")]
)
def test_the_peoples_pages_fit_reach_and_can_be_read(
    told: tuple[Any, Receiver], open_page: Any, size: str, scheme: str
) -> None:
    visit = open_page(SIZES[size], color_scheme=scheme)
    for path in ("/settings/people", "/settings/people/1", "/settings/people/2", link(told)):
        page = visit.go(path)
        unfold(page)
        assert page.evaluate("document.documentElement.scrollWidth") <= SIZES[size]["width"], path
        assert page.evaluate(TARGETS % LEAST_TARGET_PX) == [], path
        assert page.evaluate(CONTRAST) == [], path
        assert page.locator("h1").count() == 1, path


@pytest.mark.parametrize("script", [True, False])
def test_one_tap_answers_a_message_and_opening_it_does_not(
    told: tuple[Any, Receiver], open_page: Any, script: bool
) -> None:
    shop, _ = told
    page = open_page(java_script_enabled=script).go(link(told))
    assert shop.outbox.deliveries()[-1].state == "sent"
    page.get_by_role("button", name="Seen, I look after it").click()
    expect(page.get_by_role("status").filter(has_text="Nobody else is asked")).to_be_visible()
    assert shop.outbox.deliveries()[-1].state == "acknowledged"


@pytest.mark.parametrize("script", [True, False])
def test_a_person_is_set_up_on_a_phone(
    told: tuple[Any, Receiver], open_page: Any, script: bool
) -> None:
    shop, receiver = told
    page = open_page(java_script_enabled=script).go("/settings/people")
    page.get_by_label("Name").fill("Ben")
    page.get_by_role("button", name="Add a person").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Ben")
    page.get_by_text("Add: Webhook").click()
    page.get_by_label("URL").fill(receiver.url)
    page.locator("details", has_text="Add: Webhook").get_by_role("button", name="Add").click()
    expect(page.get_by_text("Not used yet")).to_be_visible()
    page.get_by_label("Quiet from").fill("21:00")
    page.get_by_label("until").fill("06:30")
    page.get_by_text("Kind by kind").click()
    page.locator("[name=told-window-opening]").select_option("Not told")
    page.get_by_role("button", name="Keep these rules").click()
    expect(page.get_by_text("Not told: spray window opening.")).to_be_visible()
    rules = shop.people.rules(3)
    assert (rules["quiet_from"], rules["quiet_until"]) == ("21:00", "06:30")
    assert "window-opening" not in rules["kinds"]
    page.get_by_role("button", name="Send a test").click()  # the receiver asks to come later
    expect(page.get_by_text("! Failing since")).to_be_visible()
