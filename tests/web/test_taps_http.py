"""A tap with its key over HTTP: sent again, late, at once from two tabs, or for what moved on."""

from __future__ import annotations

import uuid
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

import pytest

ACCEPTS = {"Accept": "application/json"}


def new_key():
    return str(uuid.uuid4())


def coats(shop, piece=1):
    return [e for e in shop.desk.log(piece) if e.kind == "coat" and not e.undone]


def tap(shop, path, **fields):
    return shop.http.post(path, data=fields, headers=ACCEPTS)


@pytest.fixture
def bench(shop):
    shop.read_day("booth", 22.0, 45.0, hours=3)
    shop.add_piece("41")
    return shop


def test_a_tap_that_is_sent_again_is_answered_as_at_first(bench):
    fields = {"tap": new_key(), "expect": "seal.1", "back": "/"}
    first = tap(bench, "/instruments/1/coat", **fields)
    again = tap(bench, "/instruments/1/coat", **fields)
    assert first.status_code == again.status_code == 303
    assert first.headers["location"] == again.headers["location"]
    assert len(coats(bench)) == 1


def test_many_at_once_are_one(bench):
    key = new_key()
    with ThreadPoolExecutor(8) as crowd:
        answers = list(crowd.map(lambda _: tap(bench, "/instruments/1/coat", tap=key), range(16)))
    assert {answer.status_code for answer in answers} == {303}
    assert len({answer.headers["location"] for answer in answers}) == 1
    assert len(coats(bench)) == 1


def test_two_keys_without_a_step_in_mind_are_two_coats(bench):
    for _ in range(2):
        tap(bench, "/instruments/1/coat", tap=new_key(), material="nitro-lacquer-gun")
    assert len(coats(bench)) == 2


def test_a_late_tap_keeps_the_time_it_was_made(bench):
    made = bench.clock.now() - timedelta(minutes=38)
    tap(bench, "/instruments/1/coat", tap=new_key(), tapped_at=made.isoformat())
    (coat,) = coats(bench)
    assert abs(coat.at - made) < timedelta(seconds=1)
    assert coat.air["air_c"] is not None


def test_a_time_that_a_person_gave_is_above_the_tap(bench):
    now = bench.clock.now()
    given = (now - timedelta(hours=2)).replace(second=0, microsecond=0)
    tap(
        bench,
        "/instruments/1/coat",
        tap=new_key(),
        tapped_at=(now - timedelta(minutes=5)).isoformat(),
        at=f"{given:%Y-%m-%dT%H:%M}",
    )
    assert coats(bench)[0].at == given


@pytest.mark.parametrize(
    ("tapped_at", "reason"),
    [
        ({"days": -8}, "over 7 days ago"),
        ({"minutes": 5}, "ahead of the shop's time"),
        (None, "is no date and time"),
    ],
)
def test_an_instant_that_cannot_be_is_named_and_nothing_recorded(bench, tapped_at, reason):
    said = "soon" if tapped_at is None else bench.clock.now() + timedelta(**tapped_at)
    answer = tap(bench, "/instruments/1/coat", tap=new_key(), tapped_at=str(said))
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["field"] == "tapped_at"
    assert reason in answer.json()["detail"]
    assert coats(bench) == []


def test_a_wrong_key_is_named_and_nothing_recorded(bench):
    answer = tap(bench, "/instruments/1/coat", tap="once")
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["field"] == "tap"
    assert coats(bench) == []


def test_a_key_cannot_be_used_for_another_act(bench):
    bench.add_piece("42")
    key = new_key()
    tap(bench, "/instruments/1/coat", tap=key)
    answer = tap(bench, "/instruments/2/coat", tap=key)
    assert answer.status_code == 409
    assert coats(bench, 2) == []


def test_a_late_tap_on_a_step_that_moved_on_records_nothing(bench):
    other = tap(bench, "/instruments/1/coat", tap=new_key(), expect="seal.1")
    assert "did=coat" in other.headers["location"]
    answer = tap(bench, "/instruments/1/coat", tap=new_key(), expect="seal.1")
    assert "said=moved-on" in answer.headers["location"]
    assert len(coats(bench)) == 1


def test_an_undo_that_is_sent_again_is_no_error(bench):
    tap(bench, "/instruments/1/coat", tap=new_key())
    fields = {"tap": new_key(), "back": "/"}
    path = f"/instruments/1/undo/coat/{coats(bench)[0].id}"
    assert tap(bench, path, **fields).status_code == 303
    assert tap(bench, path, **fields).status_code == 303
    assert tap(bench, path, tap=new_key()).status_code == 409
    assert coats(bench) == []


def test_a_form_without_script_has_no_key_and_is_simply_done(bench):
    answer = bench.http.post("/instruments/1/coat", data={"expect": "seal.1"})
    assert answer.status_code == 303
    assert len(coats(bench)) == 1
