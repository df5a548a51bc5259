"""A tap with its key over HTTP: sent again, late, at once from two tabs, or for what moved on."""

from __future__ import annotations

import io
import uuid
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

import pytest
from PIL import Image

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


def with_photo(shop, path, data, **fields):
    files = {"photo": ("photo", data, "application/octet-stream")}
    return shop.http.post(path, data=fields, files=files, headers=ACCEPTS)


def jpeg(colour="red"):
    out = io.BytesIO()
    Image.new("RGB", (60, 40), colour).save(out, "JPEG")
    return out.getvalue()


def test_a_flaw_with_a_photo_that_is_sent_again_is_one_seen_when_it_was_tapped(bench):
    made = bench.clock.now().replace(microsecond=0) - timedelta(minutes=38)
    fields = {"tap": new_key(), "tapped_at": made.isoformat()}
    path = "/instruments/1/flaw/blush/photo"
    answers = [with_photo(bench, path, jpeg(), **fields) for _ in range(3)]
    assert {answer.status_code for answer in answers} == {303}
    assert len({answer.headers["location"] for answer in answers}) == 1
    (flaw,) = bench.desk.flaws()
    assert (flaw.kind, flaw.seen_at) == ("blush", made)
    assert len(bench.app.state.shop.photos.of([flaw.id])) == 1
    late = {"tap": new_key(), "tapped_at": (made - timedelta(days=8)).isoformat()}
    refused = with_photo(bench, path, jpeg(), **late)
    assert (refused.status_code, refused.json()["errors"][0]["field"]) == (422, "tapped_at")
    assert len(bench.desk.flaws()) == 1


def test_a_photo_that_cannot_be_used_waits_no_longer_and_loses_no_flaw(bench):
    fields = {"tap": new_key()}
    answers = [
        with_photo(bench, "/instruments/1/flaw/blush/photo", b"no picture", **fields)
        for _ in range(2)
    ]
    assert {answer.headers["location"] for answer in answers} == {
        "/flaws/1?said=photo-unusable#photos"
    }
    assert len(bench.desk.flaws()) == 1
    wrong = with_photo(bench, "/flaws/1/photos", b"no picture", tap=new_key())
    assert (wrong.status_code, wrong.json()["errors"][0]["field"]) == (422, "photo")
    gone = with_photo(bench, "/flaws/9/photos", jpeg(), tap=new_key())
    assert gone.status_code == 404
    unknown = with_photo(bench, "/instruments/1/flaw/no-such/photo", jpeg(), tap=new_key())
    assert unknown.status_code == 422


def test_a_photo_taken_back_does_not_come_again_with_its_tap(bench):
    bench.work.flaws.log(1, kind="blush")
    fields = {"tap": new_key()}
    assert with_photo(bench, "/flaws/1/photos", jpeg(), **fields).status_code == 303
    photos = bench.app.state.shop.photos
    photos.undo(1, photos.of([1])[0].id)
    assert with_photo(bench, "/flaws/1/photos", jpeg(), **fields).status_code == 303
    assert photos.of([1]) == []
    assert with_photo(bench, "/flaws/1/photos", jpeg(), tap=new_key()).status_code == 303
    assert len(photos.of([1])) == 1
