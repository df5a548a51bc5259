"""The calendar feed over HTTP: its secret address, what it tells, and when nothing has changed."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import vobject
from shopkit import LiveShop, live_shop
from test_outlook_api import MATERIAL, week

from service.web import calendar_feed
from service.web.deps import Shop


def rooms(shop: LiveShop) -> Shop:
    found: Shop = shop.app.state.shop
    return found


def events(shop: LiveShop, address: str) -> list[Any]:
    answer = shop.http.get(address)
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"] == "text/calendar; charset=utf-8"
    return list(vobject.readOne(answer.text).contents.get("vevent", []))


@pytest.fixture(scope="module")
def damp_shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[LiveShop]:
    """A shop early in the morning, whose air has turned dry every day at nine."""
    with live_shop(tmp_path_factory.mktemp("calendar")) as made:
        made.jump(hours=21)
        made.read_many(week(made.clock.now()))
        made.desk.refresh_outlooks()
        yield made


def test_a_coat_that_dries_is_in_the_calendar(shop: LiveShop) -> None:
    shop.read_day("booth", 21.0, 45.0)
    piece = shop.add_piece()
    shop.http.post(f"/api/v1/instruments/{piece}/coats", json={}).raise_for_status()
    card = shop.desk.card(piece)
    assert card.act.wait is not None
    assert card.act.wait.ready_at is not None
    path = calendar_feed.path(rooms(shop))
    (event,) = [e for e in events(shop, path) if "Likely between" in e.description.value]
    assert event.summary.value.startswith("41 tenor ukulele: ")
    assert abs((event.dtstart.value - card.act.wait.ready_at).total_seconds()) <= 60
    assert f"/instruments/{piece}" in event.url.value
    assert "the data sheet comes first" in event.description.value
    # Later it is ready: the same event, and it says so.
    shop.clock.drive(now=card.act.wait.ready_until)  # type: ignore[attr-defined]
    shop.read_day("booth", 21.0, 45.0)
    again = [e for e in events(shop, path) if e.uid.value == event.uid.value]
    assert "Ready since" in again[0].description.value
    assert int(again[0].sequence.value) > 0
    assert again[0].status.value == "CONFIRMED"


def test_spray_windows_are_in_the_calendar(damp_shop: LiveShop) -> None:
    shop, path = damp_shop, calendar_feed.path(rooms(damp_shop))
    told = shop.http.get(f"/api/v1/places/booth/windows?material={MATERIAL}").json()["windows"]
    assert told
    found = events(shop, f"{path}?place=booth&material={MATERIAL}")
    assert len(found) == len(told)
    for event, window in zip(found, told, strict=True):
        assert event.dtstart.value.isoformat()[:16] == window["start_at"][:16]
        assert event.dtend.value.isoformat()[:16] == window["end_at"][:16]
        assert event.summary.value.startswith("Spray window: ")
        assert event.status.value == "TENTATIVE"
    assert events(shop, path) == [], "nothing is under way, so no window is told unasked"


def test_without_air_no_window_is_told_from_before(tmp_path: Path) -> None:
    with live_shop(tmp_path) as shop:
        shop.jump(hours=21)
        shop.read_many(week(shop.clock.now()))
        shop.desk.refresh_outlooks()
        path = f"{calendar_feed.path(rooms(shop))}?place=booth&material={MATERIAL}"
        assert events(shop, path)
        shop.jump(hours=2)  # the sensor is silent
        assert events(shop, path) == []


def test_what_has_not_changed_is_not_sent_again(shop: LiveShop) -> None:
    shop.read_day("booth", 21.0, 45.0)
    piece = shop.add_piece()
    shop.http.post(f"/api/v1/instruments/{piece}/coats", json={}).raise_for_status()
    path = calendar_feed.path(rooms(shop))
    first = shop.http.get(path)
    tag = first.headers["etag"]
    assert first.headers["cache-control"] == "private, no-cache"
    assert first.headers["referrer-policy"] == "no-referrer"
    shop.jump(minutes=2)
    for known in (tag, tag.removeprefix("W/"), f'"other", {tag}', "*"):
        same = shop.http.get(path, headers={"if-none-match": known})
        assert same.status_code == 304
        assert same.content == b""
        assert same.headers["etag"] == tag
    assert shop.http.get(path, headers={"if-none-match": '"other"'}).status_code == 200
    head = shop.http.head(path)
    assert head.status_code == 200
    assert head.headers["etag"] == tag
    assert head.content == b""


def test_the_address_is_a_secret_that_can_be_made_anew(shop: LiveShop) -> None:
    old = calendar_feed.path(rooms(shop))
    assert old == calendar_feed.path(rooms(shop))
    assert shop.http.get(old).status_code == 200
    for wrong in ("/calendar/x.ics", old.replace(".ics", "x.ics"), "/calendar/é.ics"):
        assert shop.http.get(wrong).status_code == 404
    page = shop.http.get("/settings/calendar")
    assert page.status_code == 200
    assert old in page.text
    answer = shop.http.post("/settings/calendar/renew")
    assert answer.status_code == 303
    new = calendar_feed.path(rooms(shop))
    assert new != old
    assert len(new) > 30
    assert shop.http.get(old).status_code == 404
    assert shop.http.get(new).status_code == 200


def test_events_keep_their_names_when_the_address_changes(shop: LiveShop) -> None:
    shop.read_day("booth", 21.0, 45.0)
    piece = shop.add_piece()
    shop.http.post(f"/api/v1/instruments/{piece}/coats", json={}).raise_for_status()
    before = shop.http.get(calendar_feed.path(rooms(shop))).text
    shop.http.post("/settings/calendar/renew")
    assert shop.http.get(calendar_feed.path(rooms(shop))).text == before


def test_what_there_is_not_is_said(shop: LiveShop) -> None:
    path = calendar_feed.path(rooms(shop))
    for asked in ({"material": "none"}, {"place": "none", "material": MATERIAL}):
        answer = shop.http.get(path, params=asked)
        assert answer.status_code == 422
        assert "there is no" in answer.text
    assert events(shop, path) == []


def test_a_browser_is_given_the_key_to_subscribe_with(shop: LiveShop) -> None:
    first = shop.http.get("/api/v1/push/key").json()
    assert first == shop.http.get("/api/v1/push/key").json()
    assert set(first) == {"key"}
    assert len(first["key"]) == 87  # 65 bytes in base64url
