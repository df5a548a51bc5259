"""People, channels and answers over HTTP, with a web server of its own to receive messages."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest
from receiver import PostSender, Receiver
from shopkit import LiveShop, live_shop

API = "/api/v1"
HTML = {"accept": "text/html"}


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    with Receiver() as made:
        yield made


@pytest.fixture
def told(shop: LiveShop, receiver: Receiver) -> LiveShop:
    """A shop with Ana, who is told by a channel that works, at once."""
    shop.senders["webhook"] = PostSender()
    ana = shop.http.post(f"{API}/people", json={"name": "Ana", "telling": {"group_min": 0}})
    assert ana.status_code == 201
    assert ana.headers["location"] == f"{API}/people/1"
    made = shop.http.post(f"{API}/people/1/channels", json=webhook(receiver.url))
    assert made.status_code == 201
    return shop


def webhook(url: str, **more: Any) -> dict[str, Any]:
    return {"kind": "webhook", "name": "bench", "config": {"url": url, **more}}


def test_a_notice_reaches_a_person_with_a_link_to_answer_it(
    told: LiveShop, receiver: Receiver
) -> None:
    piece = told.add_piece(place=None)
    notice = told.tell("sand-ready", "No. 41: ready", instrument_id=piece)
    assert told.postman.work() == 1
    (body,) = receiver.got
    assert (body["title"], body["body"], body["notices"]) == (
        "Ready to sand",
        "No. 41: ready",
        [notice],
    )
    assert body["url"] == f"{told.url}/instruments/{piece}"
    assert told.postman.work() == 0
    # A mail scanner opens the link: nothing happens.
    path = body["ack_url"].removeprefix(told.url)
    for _ in range(2):
        page = told.http.get(path, headers=HTML)
        assert page.status_code == 200
        assert "Seen, I look after it" in page.text
    assert len(told.http.get(f"{API}/notices", params={"unseen": "true"}).json()) == 1
    # One tap answers it.
    assert "Nobody else is asked" in told.http.post(path, headers=HTML).text
    assert told.http.get(f"{API}/notices", params={"unseen": "true"}).json() == []
    (delivery,) = told.http.get(f"{API}/people/1/deliveries").json()
    assert (delivery["state"], delivery["tries"]) == ("acknowledged", 1)
    # A push message's button answers without a page, and again changes nothing.
    assert told.http.post(path).status_code == 204
    assert told.http.get(f"{API}/people/1/deliveries").json() == [delivery]
    assert told.http.get("/n/no-such-token", headers=HTML).status_code == 404


def test_a_delivery_is_acknowledged_by_its_number(told: LiveShop, receiver: Receiver) -> None:
    told.tell("sand-ready", "No. 41: ready")
    told.postman.work()
    number = receiver.got[0]["delivery_id"]
    answer = told.http.post(f"{API}/deliveries/{number}/acknowledge")
    assert answer.json()["state"] == "acknowledged"
    assert told.http.post(f"{API}/deliveries/{number}/acknowledge").json() == answer.json()
    assert told.http.post(f"{API}/deliveries/999/acknowledge").status_code == 404


def test_seen_on_the_notices_page_ends_what_asks_on(told: LiveShop, receiver: Receiver) -> None:
    rules = {"escalate_min": 5, "ways": {"2": {"turn": "later"}}}
    told.http.post(f"{API}/people/1/channels", json=webhook(receiver.url + "/later"))
    told.http.patch(f"{API}/people/1", json={"telling": rules})
    notice = told.tell("stop-spraying", "Stop")
    assert told.postman.work() == 1
    told.http.post(f"/notices/{notice}/seen", data={"back": "/notices"})
    told.jump(minutes=6)
    assert told.postman.work() == 0
    assert len(receiver.got) == 1


def test_one_channel_that_hangs_holds_up_no_other(told: LiveShop, receiver: Receiver) -> None:
    receiver.answer = lambda _: 503
    told.http.post(f"{API}/people", json={"name": "Ben", "telling": {"group_min": 0}})
    with Receiver() as other:
        told.http.post(f"{API}/people/2/channels", json=webhook(other.url))
        for kind in ("sand-ready", "cut-ready", "buff-ready"):
            told.tell(kind, "ready")
        assert told.postman.work() == 3
        assert len(other.got) == 3
    tries = sum(d["tries"] for d in told.http.get(f"{API}/people/1/deliveries").json())
    assert tries == 1  # left alone until the next round
    (channel,) = told.http.get(f"{API}/people/1/channels").json()
    assert channel["last_error"] == "answered 503"
    assert channel["failing_since"] is not None
    page = told.http.get("/settings/people/1", headers=HTML).text
    assert "Failing since" in page
    receiver.answer = lambda _: 204
    told.jump(minutes=1)
    told.postman.work()
    assert told.http.get(f"{API}/people/1/channels").json()[0]["failing_since"] is None
    assert set(receiver.times().values()) == {1}


def test_a_sender_that_breaks_tells_no_secret(told: LiveShop) -> None:
    class Broken(PostSender):
        def send(self, config: Any, message: Any) -> None:
            raise RuntimeError(f"could not open {config['url']}")

    told.senders["webhook"] = Broken()
    told.tell("sand-ready", "ready")
    assert told.postman.work() == 0
    (channel,) = told.http.get(f"{API}/people/1/channels").json()
    assert channel["last_error"] == "could not be sent (RuntimeError)"


def test_a_test_is_sent_now_and_says_what_went_wrong(told: LiveShop, receiver: Receiver) -> None:
    test = f"{API}/people/1/channels/1/test"
    assert told.http.post(test).json() == {"sent": True, "error": None}
    assert receiver.got[0]["title"] == "Test"
    receiver.answer = lambda _: 410
    assert told.http.post(test).json() == {"sent": False, "error": "answered 410"}
    assert told.http.post(f"{API}/people/1/channels/9/test").status_code == 404


def test_nothing_secret_is_given_away(told: LiveShop, receiver: Receiver) -> None:
    secret = "s3cret-token"
    made = told.http.post(
        f"{API}/people/1/channels", json=webhook(f"{receiver.url}/{secret}?key={secret}", k=secret)
    )
    told.tell("sand-ready", "ready")
    told.postman.work()
    token = receiver.got[0]["ack_url"].rsplit("/", 1)[-1]
    answers = (f"{API}/people", f"{API}/people/1/channels", f"{API}/people/1/deliveries")
    pages = ("/settings/people", "/settings/people/1", "/notices", f"{API}/notices")
    for path in (*answers, *pages):
        text = told.http.get(path, headers=HTML).text
        assert secret not in text
        assert token not in text
    assert made.json()["address"] == "http://127.0.0.1/…"


@pytest.mark.parametrize(
    ("body", "field"),
    [
        ({"kind": "pigeon", "config": {}}, "kind"),
        ({"kind": "webhook", "config": {"url": "nonsense"}}, "url"),
        ({"kind": "webhook", "config": {"url": "http://x"}, "more": 1}, "more"),
    ],
)
def test_a_channel_that_cannot_be_is_refused(told: LiveShop, body: Any, field: str) -> None:
    answer = told.http.post(f"{API}/people/1/channels", json=body)
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["field"] == field


@pytest.mark.parametrize(
    ("rules", "field"),
    [
        ({"quiet_from": "21:00"}, "quiet_until"),
        ({"kinds": ["rain"]}, "kinds"),
        ({"then_person": 1}, "then_person"),
        ({"group_min": -1}, "telling.group_min"),
        ({"ways": {"1": {"turn": "never"}}}, "telling.ways.1.turn"),
    ],
)
def test_rules_that_cannot_be_are_refused(told: LiveShop, rules: Any, field: str) -> None:
    answer = told.http.patch(f"{API}/people/1", json={"telling": rules})
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["field"] == field


def test_the_pages_do_it_all_without_script(told: LiveShop, receiver: Receiver) -> None:
    http = told.http
    made = http.post("/settings/people", data={"name": "Ben"})
    assert made.status_code == 303
    ben = made.headers["location"]
    assert "is told on the pages only" in http.get(ben, headers=HTML).text
    added = http.post(f"{ben}/channels", data={"kind": "webhook", "url": receiver.url})
    assert added.headers["location"].endswith("said=channel-added")
    wrong = http.post(f"{ben}/channels", data={"kind": "webhook", "url": "x"}, headers=HTML)
    assert wrong.status_code == 422
    assert "must be an address" in wrong.text
    page = http.get(ben, headers=HTML).text
    assert "no time is set" in page
    assert "BOOTHGLASS_SMTP_HOST" in page
    rules = {"told-sand-ready": "off", "told-stop-spraying": "night-ask", "told-cut-ready": "on",
             "quiet_from": "21:00", "quiet_until": "06:30", "escalate_min": "5", "then_person": "1",
             "group_min": "0"}  # fmt: skip
    assert http.post(f"{ben}/rules", data=rules).status_code == 303
    http.post(f"{ben}/channels/2", data={"turn": "later", "kind-cut-ready": "on"})
    assert "no time is set" not in http.get(ben, headers=HTML).text
    kept = http.get(f"{API}/people/2").json()["telling"]
    assert "sand-ready" not in kept["kinds"]
    assert kept["breaks_quiet"] == kept["escalate_kinds"] == ["stop-spraying"]
    assert (kept["quiet_until"], kept["then_person"]) == ("06:30", 1)
    assert kept["ways"] == {"2": {"turn": "later", "kinds": ["cut-ready"]}}
    late = http.post(f"{ben}/rules", data=rules | {"quiet_until": "21:00"}, headers=HTML)
    assert late.status_code == 422
    assert "is the same as the beginning" in late.text
    http.post(f"{ben}", data={"name": "Benno", "units": "us", "clock": "12"})
    assert http.get(f"{API}/people/2").json()["prefs"] == {"units": "us", "clock": 12}
    sent = http.post(f"{ben}/channels/2/test")
    assert sent.headers["location"].endswith("said=test-sent")
    assert receiver.got[0]["title"] == "Test"
    http.post(f"{ben}/channels/2/remove")
    assert http.get(f"{API}/people/2/channels").json() == []
    assert http.post(f"{ben}/remove").status_code == 303
    assert "Benno" not in http.get("/settings/people", headers=HTML).text


def test_a_person_reads_figures_in_their_own_units(told: LiveShop, receiver: Receiver) -> None:
    told.http.patch(f"{API}/people/1", json={"prefs": {"units": "us"}})
    told.tell("wood-dry", "Booth: 22.0 °C")
    told.postman.work()
    assert receiver.got[0]["body"] == "Booth: 71.6 °F"


def test_the_public_address_is_served_and_no_other(tmp_path: Any) -> None:
    with live_shop(tmp_path, public_url="https://booth.example.org") as shop:
        for host, status in (("booth.example.org", 200), ("other.example.org", 421)):
            assert shop.http.get(f"{API}/people", headers={"host": host}).status_code == status


def test_every_field_of_a_form_has_a_name(told: LiveShop) -> None:
    page = told.http.get("/settings/people/1", headers=HTML).text
    assert not re.search(r"<(input|select)(?![^>]*name=)", page)


def test_a_channel_whose_address_was_left_out_says_what_to_do(shop: LiveShop) -> None:
    """As it comes in from the file of a whole shop without its secrets."""
    person = int(shop.people.add("Ana").id or 0)
    channel = int(shop.people.add_channel(person, "email", "mail", {}).id or 0)
    shop.senders["email"] = PostSender()
    assert "set this channel up again" in str(shop.postman.try_out(person, channel))
    assert shop.outbox.deliveries(person)[0].state == "given_up"
