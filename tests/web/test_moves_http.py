"""A planned move that is due, over HTTP: on the card, in the notice, behind a message's link."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import timedelta

import pytest
from receiver import PostSender, Receiver
from shopkit import LiveShop

from service.store.notice_book import NoticeBook

API = "/api/v1"
HTML = {"Accept": "text/html"}


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    with Receiver() as made:
        yield made


@pytest.fixture
def due(shop: LiveShop, receiver: Receiver) -> LiveShop:
    """Numbers 42 and 43 were to go from booth to rack at 10:00; it is 10:05, and Ana was told."""
    shop.work.add_place("booth")
    shop.work.add_place("rack", "Drying rack", "rack")
    for number in ("42", "43"):
        piece = shop.add_piece(number)
        shop.work.hang(piece, "rack", shop.clock.now() + timedelta(hours=1))
    shop.senders["webhook"] = PostSender()
    shop.people.add("Ana", telling={"group_min": 0})
    shop.people.add_channel(1, "webhook", "bench", {"url": receiver.url})
    shop.jump(hours=1, minutes=5)
    NoticeBook(shop.db, shop.clock, shop.catalogue, shop.desk).look()
    shop.postman.work()
    return shop


def hangs(shop: LiveShop, piece: int) -> str:
    return next(f"{e.text} {e.at:%H:%M}" for e in shop.desk.log(piece) if not e.undone)


def test_it_is_told_with_the_persons_own_clock(due: LiveShop, receiver: Receiver) -> None:
    (body,) = receiver.got
    assert body["title"] == "Planned move due: 2 pieces"
    assert body["body"].splitlines() == [
        "Move No. 42 (tenor ukulele) to Drying rack now: planned for 10:00",
        "Move No. 43 (tenor ukulele) to Drying rack now: planned for 10:00",
    ]
    page = due.http.get("/notices", headers=HTML | {"Cookie": "lang=de; clock=12"}).text
    assert "Nr. 42 (tenor ukulele) jetzt umhängen nach Trockengestell: geplant für 10:00 AM" in page


def test_one_tap_on_the_card_says_that_it_was_moved_and_one_takes_that_back(due: LiveShop) -> None:
    page = due.http.get("/instruments", headers=HTML).text
    card = page.partition('id="card-1"')[2].partition("</li>")[0]
    assert re.search(r"Move it to rack now</b> <span>planned for 10:00", card)
    did = due.http.post("/instruments/1/moved", data={"move": "2", "back": "/instruments"})
    assert did.status_code == 303
    assert hangs(due, 1) == "hung in rack 10:05"
    assert hangs(due, 2) == "hung in rack 10:00"
    page = due.http.get(did.headers["location"], headers=HTML).text
    assert "Recorded. No. 42: hung in rack" in page
    undo = re.search(r'action="(/instruments/1/undo/moved/2)"', page)
    assert undo is not None
    back = due.http.post(undo[1], data={"back": "/instruments"})
    assert "Taken back. No. 42" in due.http.get(back.headers["location"], headers=HTML).text
    assert hangs(due, 1) == "hung in rack 10:00"


def test_a_move_that_was_overtaken_is_refused_in_words(due: LiveShop) -> None:
    due.work.hang(1, "booth")
    due.jump(minutes=1)
    answer = due.http.post("/instruments/1/moved", data={"move": "2"}, headers=HTML)
    assert answer.status_code == 422
    assert "it was hung elsewhere meanwhile" in answer.text
    assert due.http.post("/instruments/2/moved", data={"move": "2"}).status_code in {404, 422}


def test_behind_the_link_each_move_has_a_button(due: LiveShop, receiver: Receiver) -> None:
    path = receiver.got[0]["ack_url"].removeprefix(due.url)
    page = due.http.get(path, headers=HTML).text
    assert page.count(">Moved: Move No. 4") == 2
    page = due.http.post(path, data={"move": "2"}, headers=HTML).text
    assert page.count(">Moved") == 1
    assert (hangs(due, 1), hangs(due, 2)) == ("hung in rack 10:05", "hung in rack 10:00")
    assert "Seen, I look after it" in page  # of the other one
    page = due.http.post(path, data={"move": "4"}, headers=HTML).text
    assert "Nobody else is asked" in page
    assert hangs(due, 2) == "hung in rack 10:05"


def test_the_button_of_a_push_message_moves_all_that_it_told(
    due: LiveShop, receiver: Receiver
) -> None:
    path = receiver.got[0]["ack_url"].removeprefix(due.url)
    assert due.http.post(path, data={"move": "all"}).status_code == 204
    assert (hangs(due, 1), hangs(due, 2)) == ("hung in rack 10:05", "hung in rack 10:05")
    assert due.desk.notices(unseen_only=True) == []


def test_programs_say_so_too(due: LiveShop) -> None:
    told = due.http.get(f"{API}/instruments/1").json()["due_move"]
    assert (told["id"], told["place"]) == (2, "rack")
    made = due.http.post(f"{API}/hangings/2/moved", json={"at": "2025-03-12T10:02:00Z"})
    assert made.json()["at"] == "2025-03-12T10:02:00.000Z"
    assert due.http.get(f"{API}/instruments/1").json()["due_move"] is None
    assert due.http.delete(f"{API}/hangings/2/moved").status_code == 204
    assert due.http.delete(f"{API}/hangings/2/moved").status_code == 409
    assert due.http.post(f"{API}/hangings/99/moved", json={}).status_code == 404
    assert due.http.post(f"{API}/hangings/2/moved", json={"at": "noon"}).status_code == 422
