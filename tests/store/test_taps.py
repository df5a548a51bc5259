"""A tap's key and what it did are kept together, and an old or foreign key does nothing."""

from __future__ import annotations

import uuid
from datetime import timedelta

import pytest

from service.store.errors import BadInput, Conflict
from service.store.tables import Place, Tap
from service.store.tap_book import KEPT, LONGEST_WAIT, TapBook

ACT = "/instruments/1/coat"


@pytest.fixture
def book(database, clock):
    return TapBook(database, clock)


def new_key():
    return str(uuid.uuid4())


def make_place(database, clock, name):
    def do():
        with database.write() as session:
            session.add(Place(id=name, name=name, made_at=clock.now()))
        return f"/air/{name}"

    return do


def places(database):
    with database.read() as session:
        return {name for name in ("booth", "rack") if session.get(Place, name)}


def test_the_first_answer_is_kept(book, database, clock):
    key = new_key()
    assert book.answer(key, ACT) is None
    assert book.record(key, ACT, make_place(database, clock, "booth")) == "/air/booth"
    assert book.answer(key, ACT) == "/air/booth"
    assert places(database) == {"booth"}


def test_what_fails_after_the_act_leaves_neither_act_nor_key(book, database, clock):
    key = new_key()

    def do():
        make_place(database, clock, "booth")()
        raise RuntimeError("the power goes")

    with pytest.raises(RuntimeError):
        book.record(key, ACT, do)
    assert book.answer(key, ACT) is None
    assert places(database) == set()
    # And the thread's next write stands by itself again.
    make_place(database, clock, "rack")()
    assert places(database) == {"rack"}


def test_a_key_that_is_there_already_takes_its_act_back(book, database, clock):
    key = new_key()
    book.record(key, ACT, make_place(database, clock, "booth"))
    with pytest.raises(Exception, match=r"(?i)unique"):
        book.record(key, ACT, make_place(database, clock, "rack"))
    assert places(database) == {"booth"}


def test_a_key_is_for_one_act(book, database, clock):
    key = new_key()
    book.record(key, ACT, make_place(database, clock, "booth"))
    with pytest.raises(Conflict, match=r"^tap: "):
        book.answer(key, "/instruments/2/coat")


@pytest.mark.parametrize(
    "key", ["", "1", "x" * 36, "3f2c0d7e-5b1a-4c86-9e4d-0a7b6f8c9d21x", "é" * 36]
)
def test_what_is_no_key_is_named(book, key):
    with pytest.raises(BadInput, match=r"^tap: "):
        book.answer(key, ACT)


def test_answers_are_kept_for_longer_than_a_tap_may_wait(book, database, clock):
    old, new = new_key(), new_key()
    book.record(old, ACT, make_place(database, clock, "booth"))
    clock.at += LONGEST_WAIT + timedelta(hours=1)
    assert book.answer(old, ACT) == "/air/booth"
    clock.at += KEPT
    book.record(new, ACT, make_place(database, clock, "rack"))
    with database.read() as session:
        assert session.get(Tap, old) is None


def test_when_a_tap_was_made_has_bounds(book, clock):
    now = clock.now()
    assert book.made_at(now - timedelta(minutes=38)) == now - timedelta(minutes=38)
    assert book.made_at(now + timedelta(seconds=90)) == now  # a phone's clock, a little ahead
    for impossible in (
        now + timedelta(minutes=3),
        now - LONGEST_WAIT - timedelta(seconds=1),
        now.replace(tzinfo=None),
    ):
        with pytest.raises(BadInput, match=r"^tapped_at: "):
            book.made_at(impossible)
