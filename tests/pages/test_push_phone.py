"""Push on a phone: subscribed on the page, sent through a push service of our own, shown, answered.

No push service can be reached from here, so the browser's own subscribing is replaced by a
subscription to ours, and what that one was sent is handed to the service worker as a push.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest
from counterparts import Answering, answering, certificates
from cryptography.hazmat.primitives.asymmetric import ec
from equipment import eventually
from playwright.sync_api import Page, Worker, expect
from push_reader import Browser

from service.notify.channels import make_senders
from service.settings import Settings
from service.store.facts import Facts
from service.store.notice_book import NoticeBook

pytestmark = pytest.mark.real

CONTROLLED = "() => navigator.serviceWorker.controller !== null"

SUBSCRIBING = """
PushManager.prototype.getSubscription = async () => null;
PushManager.prototype.subscribe = async function (options) {
  window.askedWith = options.applicationServerKey.length + " " + options.userVisibleOnly;
  return { toJSON: () => (%s) };
};
"""
SHOWN = """async () => (await registration.getNotifications()).map((n) => (
  { title: n.title, body: n.body, tag: n.tag, actions: n.actions.map((a) => a.title) }))"""
TAP = """async (action) => {
  const [notification] = await registration.getNotifications();
  const event = new NotificationEvent("notificationclick", { notification, action });
  const waits = [];
  event.waitUntil = (promise) => waits.push(promise);
  dispatchEvent(event);
  await Promise.all(waits);
}"""


class Pushed:
    """A phone that has subscribed, and the push service it has subscribed with."""

    def __init__(self, shop: Any, page: Page, service: Answering, keys: Browser) -> None:
        self.shop, self.page, self.service, self.keys = shop, page, service, keys
        self.talk = page.context.new_cdp_session(page)
        self.registrations: list[str] = []
        self.talk.on("ServiceWorker.workerRegistrationUpdated", self._registered)
        self.talk.send("ServiceWorker.enable")

    def _registered(self, event: Any) -> None:
        self.registrations += [one["registrationId"] for one in event["registrations"]]

    @property
    def worker(self) -> Worker:
        return self.page.context.service_workers[0]

    def deliver(self) -> None:
        """Hand on to the phone what the push service has got last."""
        body = self.keys.read(self.service.got[-1].body).decode()
        self.page.wait_for_function(CONTROLLED)
        self.talk.send(
            "ServiceWorker.deliverPushMessage",
            {"origin": self.shop.url, "registrationId": self.registrations[0], "data": body},
        )

    def shown(self) -> list[Any]:
        found: list[Any] = self.worker.evaluate(SHOWN)
        return found

    def tap(self, action: str = "") -> None:
        self.worker.evaluate(TAP, action)


@pytest.fixture
def pushed(shop: Any, open_page: Any) -> Iterator[Pushed]:
    certified = certificates()
    keys = Browser(ec.generate_private_key(ec.SECP256R1()), bytes(range(16)))
    with answering(certified.server) as service:
        settings = Settings(_env_file=None, data=shop.settings.data, webhook_hosts=service.host)
        shop.senders.update(
            make_senders(settings, Facts(shop.db), lambda *_: False, certified.client)
        )
        shop.people.add("Ana", telling={"group_min": 0})
        visit = open_page()
        visit.page.context.grant_permissions(["notifications"], origin=shop.url)
        subscription = {"endpoint": service.url, "expirationTime": None, "keys": keys.keys}
        visit.page.add_init_script(SUBSCRIBING % json.dumps(subscription))
        page = visit.go("/settings/people/1")
        page.wait_for_function(CONTROLLED)
        yield Pushed(shop, page, service, keys)
        # Chromium itself notes each connection that failed; nothing else may be said.
        assert all("ERR_" in said for said in visit.complaints), visit.complaints
        visit.complaints.clear()


def test_a_notice_reaches_the_phone_and_is_answered_from_there(pushed: Pushed) -> None:
    page, shop = pushed.page, pushed.shop
    page.get_by_role("button", name="Push to this device").click()
    expect(page.get_by_role("status").filter(has_text="Added")).to_be_visible()
    (channel,) = shop.people.channels(1)
    assert channel.kind == "webpush"
    expect(page.get_by_text(channel.name).first).to_be_visible()
    assert "localhost" in page.locator("#main").inner_text()
    assert pushed.keys.keys["auth"] not in page.content()

    shop.tell("stop-spraying", "Stop spraying in booth: 1.2 K above the dew point")
    assert shop.postman.work() == 1
    pushed.deliver()
    eventually(pushed.shown, 30, "shown")
    (notice,) = pushed.shown()
    assert notice["body"] == "Stop spraying in booth: 1.2 K above the dew point"
    assert notice["tag"] == f"boothglass-{shop.outbox.deliveries()[0].id}"
    assert notice["actions"] == ["Seen"]
    assert shop.outbox.deliveries()[0].state == "sent"

    # A push that comes twice, as after a crash, is one notice.
    pushed.deliver()
    page.wait_for_timeout(300)
    assert len(pushed.shown()) == 1
    pushed.tap("seen")
    assert shop.outbox.deliveries()[0].state == "acknowledged"
    assert pushed.shown() == []


def test_a_planned_move_is_said_to_be_made_from_the_notice(pushed: Pushed) -> None:
    page, shop = pushed.page, pushed.shop
    page.get_by_role("button", name="Push to this device").click()
    expect(page.get_by_role("status").filter(has_text="Added")).to_be_visible()
    for place in ("booth", "rack"):
        shop.work.add_place(place)
    shop.add_piece("42")
    shop.work.hang(1, "rack", shop.clock.now() + timedelta(hours=1))
    shop.jump(hours=1, minutes=3)
    NoticeBook(shop.db, shop.clock, shop.catalogue, shop.desk).look()
    assert shop.postman.work() == 1
    pushed.deliver()
    eventually(pushed.shown, 30, "shown")
    (notice,) = pushed.shown()
    assert notice["body"] == "Move No. 42 (tenor ukulele) to rack now: planned for 10:00"
    assert notice["actions"] == ["Moved", "Seen"]
    pushed.tap("moved")
    assert pushed.shown() == []
    newest = shop.desk.log(1)[0]
    assert (newest.text, newest.moved, f"{newest.at:%H:%M}") == ("hung in rack", True, "10:03")
    assert shop.outbox.deliveries()[0].state == "acknowledged"


def test_out_of_reach_the_answer_is_not_taken_for_given(pushed: Pushed) -> None:
    page, shop = pushed.page, pushed.shop
    page.get_by_role("button", name="Push to this device").click()
    expect(page.get_by_role("status").filter(has_text="Added")).to_be_visible()
    shop.tell("sand-ready", "No. 41: ready")
    shop.postman.work()
    pushed.deliver()
    eventually(pushed.shown, 30, "shown")
    shop.stop_serving()
    pushed.tap("seen")
    (notice,) = pushed.shown()
    assert notice["body"].startswith("Not confirmed: the shop is out of reach.")
    assert notice["actions"] == ["Try again"]
    shop.start()
    pushed.tap("seen")
    assert pushed.shown() == []
    assert shop.outbox.deliveries()[0].state == "acknowledged"


@pytest.fixture
def offered(shop: Any, open_page: Any) -> Iterator[Any]:
    """Ana's page, where push can be had; ``before`` is done to the browser first."""
    visits: list[Any] = []
    settings = Settings(_env_file=None, data=shop.settings.data)
    shop.senders.update(make_senders(settings, Facts(shop.db), lambda *_: False))
    shop.people.add("Ana")

    def make(before: str = "", *, allow: bool = True) -> Page:
        visits.append(open_page())
        page = visits[-1].page
        if allow:
            page.context.grant_permissions(["notifications"], origin=shop.url)
        page.add_init_script(before)
        page.goto(shop.url + "/settings/people/1")
        return page  # type: ignore[no-any-return]

    yield make
    for visit in visits:
        # A browser of a test is a private window, which has no push, and says so.
        assert all("incognito" in said for said in visit.complaints), visit.complaints
        visit.complaints.clear()


@pytest.mark.parametrize(
    ("missing", "said"),
    [
        ("Object.defineProperty(window, 'isSecureContext', { value: false })", "by https"),
        ("delete window.PushManager", "has no push"),
    ],
)
def test_where_push_cannot_be_had_the_page_says_why(offered: Any, missing: str, said: str) -> None:
    page = offered(missing)
    expect(page.locator("#push-says")).to_contain_text(said)
    expect(page.get_by_role("button", name="Push to this device")).to_be_disabled()


def test_without_leave_or_a_push_service_nothing_is_kept(offered: Any, shop: Any) -> None:
    page = offered(allow=False)
    page.get_by_role("button", name="Push to this device").click()
    expect(page.locator("#push-says")).to_contain_text("not allowed")
    # With leave, but without a push service: Chromium's own refusal.
    page = offered()
    page.wait_for_function(CONTROLLED)
    page.get_by_role("button", name="Push to this device").click()
    expect(page.locator("#push-says")).to_contain_text("does not answer", timeout=15_000)
    assert shop.people.channels(1) == []


def test_without_script_nothing_is_offered_that_would_not_work(
    offered: Any, open_page: Any
) -> None:
    page = open_page(java_script_enabled=False).go("/settings/people/1")
    expect(page.get_by_role("button", name="Push to this device")).to_be_hidden()
