"""Tokens for programs, wall screens, and the trail of what was written, over real HTTP."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import httpx
import pytest
from receiver import PostSender, Receiver
from signinkit import FINISHER, OWNER, PASSWORD, GuardedShop, guarded_shop, session_of

from service.store.audit_book import KEPT, SWEPT_EVERY
from service.web.api import stream
from service.web.signin.cookies import SESSION


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[GuardedShop]:
    with guarded_shop(tmp_path) as made:
        yield made


def token_of(page: httpx.Response) -> str:
    found = re.search(r'id="token">(bg_[\w-]{43})<', page.text)
    assert found is not None, page.text
    return found[1]


def test_an_owner_makes_a_token_which_is_shown_once_and_revoked(shop: GuardedShop) -> None:
    owner = shop.owner()
    fields = {"name": "the spreadsheet", "scope": "read", "days": "30"}
    made = owner.post("/settings/access/tokens", data=fields)
    token = token_of(made)
    with httpx.Client(base_url=shop.url, headers={"authorization": f"Bearer {token}"}) as program:
        assert program.get("/api/v1/instruments").status_code == 200
        assert program.post("/api/v1/places", json={"id": "x"}).status_code == 403
        listed = owner.get("/settings/access").text
        assert "the spreadsheet" in listed
        assert token not in listed
        (row,) = shop.doors.tokens.in_use()
        assert owner.post(f"/settings/access/tokens/{row.id}/revoke").status_code == 303
        gone = program.get("/api/v1/instruments")
        assert gone.status_code == 401
        assert gone.headers["www-authenticate"] == "Bearer"


@pytest.mark.parametrize(
    ("fields", "field"),
    [
        ({"scope": "read"}, "name"),
        ({"name": "x", "scope": "all"}, "scope"),
        ({"name": "x", "scope": "read", "days": "0"}, "days"),
        ({"name": "x", "scope": "read", "days": "-1"}, "days"),
        ({"name": "x", "scope": "read", "days": "9999"}, "days"),
        ({"name": "x", "scope": "read", "days": "soon"}, "days"),
        ({"name": "x", "scope": "read", "days": "9" * 5000}, "days"),
    ],
)
def test_a_token_that_cannot_be_names_the_field(
    shop: GuardedShop, fields: dict[str, str], field: str
) -> None:
    answer = shop.owner().post("/settings/access/tokens", data=fields)
    assert answer.status_code == 422
    assert f'id="{field}-wrong"' in answer.text
    assert shop.doors.tokens.in_use() == []


def test_a_token_ends_when_it_was_said_to(shop: GuardedShop) -> None:
    program, for_good = shop.program("read", days=1), shop.program("read")
    assert program.get("/api/v1/plan").status_code == 200
    shop.real.advance(days=1)
    shop.doors.changed()  # what was remembered for some seconds of the machine's time
    assert program.get("/api/v1/plan").status_code == 401
    assert for_good.get("/api/v1/plan").status_code == 200


def test_a_token_for_readings_takes_out_what_is_measured_and_nothing_else(
    shop: GuardedShop,
) -> None:
    shop.read_day("booth", 22.0, 40.0, hours=1)
    program = shop.program("readings")
    for path in ("places", "places/booth/air", "places/booth/history", "sensors"):
        assert program.get(f"/api/v1/{path}").status_code == 200, path
    for path in ("instruments", "people", "settings", "notices", "rejects", "events", "plan"):
        assert program.get(f"/api/v1/{path}").status_code == 403, path
    assert program.get("/", headers={"accept": "text/html"}).status_code == 403
    at = shop.clock.now()
    hours = [
        {"at": (at + timedelta(hours=n)).isoformat(), "air_c": 9.0, "rh_pct": 80} for n in (1, 2)
    ]
    body = {"issued_at": at.isoformat(), "hours": hours}
    answer = program.post("/api/v1/forecast", json=body)
    assert answer.status_code not in {401, 403}, answer.text


def test_whoever_shows_a_token_is_no_browser(shop: GuardedShop) -> None:
    """A token counts before a cookie, and a wrong one is not made good by it."""
    owner = shop.owner()
    mixed = {"authorization": "Bearer bg_nothing"}
    assert owner.get("/api/v1/settings", headers=mixed).status_code == 401
    for other in ("Basic YTpi", "bearer", "Bearer", "Bearer a b", ""):
        with httpx.Client(base_url=shop.url, headers={"authorization": other}) as program:
            assert program.get("/api/v1/settings").status_code == 401, other
    stolen = {"authorization": f"Bearer {session_of(owner)}"}
    with httpx.Client(base_url=shop.url, headers=stolen) as program:
        assert program.get("/api/v1/settings").status_code == 401, "a cookie is no token"
    token = shop.doors.tokens.make("x", "read", None, None)
    with httpx.Client(base_url=shop.url, cookies={SESSION: token}) as program:
        assert program.get("/api/v1/settings").status_code == 401, "nor the other way round"


def test_a_wall_screen_shows_one_page_and_hears_the_stream(shop: GuardedShop) -> None:
    shop.read_day("booth", 22.0, 40.0, hours=1)
    owner, wall = shop.owner(), shop.wall()
    assert wall.get("/wall?place=booth").status_code == 200
    with wall.stream("GET", "/api/v1/events") as told:
        assert told.status_code == 200
        assert next(told.iter_lines()).startswith("event: beat")
    for path in ("/", "/instruments", "/settings/access", "/settings/sign-in"):
        assert wall.get(path).status_code == 403, path
    assert wall.post("/instruments/1/coat").status_code == 403
    listed = owner.get("/settings/access").text
    assert "Wall screen" in listed
    device = shop.doors.sessions.find(session_of(wall))
    assert device is not None
    assert owner.post(f"/settings/access/devices/{device.row.id}/end").status_code == 303
    assert wall.get("/wall").status_code == 303


def test_who_is_signed_out_hears_no_more(
    shop: GuardedShop, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(stream, "BEAT_S", 0.2)
    owner, ben = shop.owner(), shop.invited(FINISHER, "finisher")
    device = shop.doors.sessions.find(session_of(ben))
    assert device is not None
    with ben.stream("GET", "/api/v1/events") as told:
        lines = told.iter_lines()
        assert next(lines).startswith("event: beat")
        owner.post(f"/settings/access/devices/{device.row.id}/end")
        shop.hub.publish("notice", {"id": 1})
        rest = [line for line in lines if line]  # ends, or this test does not
    assert len(rest) < 20


def test_what_is_reached_by_a_secret_of_its_own_goes_on(shop: GuardedShop) -> None:
    owner = shop.owner()
    page = owner.get("/settings/calendar").text
    address = re.search(r"/calendar/[\w-]+\.ics", page)
    assert address is not None
    nobody = shop.browser()
    feed = nobody.get(address[0])
    assert feed.status_code == 200
    assert feed.text.startswith("BEGIN:VCALENDAR")
    assert nobody.get("/calendar/somethingelse.ics").status_code == 404
    assert nobody.get("/n/nothing-like-it").status_code == 404


def test_the_button_behind_a_message_needs_no_sign_in(shop: GuardedShop) -> None:
    owner = shop.owner()
    shop.senders["webhook"] = PostSender()
    (ada,) = shop.people.people()
    shop.people.change(int(ada.id or 0), telling={"group_min": 0})
    with Receiver() as receiver:
        shop.people.add_channel(int(ada.id or 0), "webhook", "bench", {"url": receiver.url})
        notice = shop.tell("sand-ready", "No. 41: ready")
        assert shop.postman.work() == 1
        path = receiver.got[0]["ack_url"].removeprefix(shop.url)
    nobody = shop.browser()
    assert "Seen, I look after it" in nobody.get(path).text
    assert nobody.post(path).status_code == 200
    assert shop.outbox.deliveries(int(ada.id or 0))[0].acknowledged_at is not None
    assert shop.desk.notices(limit=9, unseen_only=True) == [], notice
    assert owner.get("/notices").status_code == 200


# -- the trail --------------------------------------------------------------------------------


def trail(shop: GuardedShop) -> list[tuple[str, str, int]]:
    return [(row.who, row.act, row.status) for row in shop.doors.trail.page(limit=500)]


def test_every_write_is_in_the_trail_with_who_what_and_what_came_of_it(shop: GuardedShop) -> None:
    owner, ben = shop.owner(), shop.invited(FINISHER, "finisher")
    program = shop.program("write")
    guest = shop.invited("Cleo", "guest")
    shop.read_day("booth", 22.0, 40.0, hours=1)
    piece = shop.add_piece("41")
    ben.post(f"/instruments/{piece}/coat", data={"passes": "2"})
    guest.post(f"/instruments/{piece}/coat")
    program.post("/api/v1/places", json={"id": "rack"})
    program.post("/api/v1/places", json={"id": "NOT A WORD"})
    owner.get("/settings/trail")
    assert trail(shop)[:4] == [
        ("a program that may write", "POST /api/v1/places", 422),
        ("a program that may write", "POST /api/v1/places", 201),
        ("Cleo", f"POST /instruments/{piece}/coat", 403),
        (FINISHER, f"POST /instruments/{piece}/coat", 303),
    ]
    assert not any(act.startswith("GET") for _, act, _ in trail(shop))
    (coat,) = [entry for entry in shop.desk.log(piece) if entry.kind == "coat"]
    assert coat.who == FINISHER, "and the record names who did it"
    page = owner.get("/settings/trail").text
    assert FINISHER in page
    assert f"/instruments/{piece}/coat" in page
    assert ben.get("/settings/trail").status_code == 403


def test_coming_in_is_in_the_trail_and_no_secret_is(shop: GuardedShop) -> None:
    secret = shop.doors.links.make("owner", "owner")
    browser = shop.browser()
    browser.post(f"/welcome/{secret}", data={"name": OWNER, "password": PASSWORD})
    stranger = shop.browser()
    stranger.post("/sign-in", data={"name": OWNER, "password": "a wrong guess"})
    stranger.post("/sign-in", data={"name": PASSWORD, "password": OWNER})  # the wrong way round
    stranger.post("/n/a-token-of-a-message")
    assert trail(shop) == [
        ("", "POST /n/{token}", 404),
        ("", "POST /sign-in", 422),
        (OWNER, "POST /sign-in", 422),
        (OWNER, "POST /welcome/{secret}", 303),
    ]
    rows = json.dumps([row.model_dump(mode="json") for row in shop.doors.trail.page(limit=500)])
    for hidden in (secret, PASSWORD, "a wrong guess", session_of(browser), "a-token-of-a-message"):
        assert hidden not in rows


def test_a_stranger_who_knocks_all_day_does_not_fill_the_trail(shop: GuardedShop) -> None:
    shop.owner()
    before = len(trail(shop))
    for _ in range(40):
        shop.http.post("/api/v1/places", json={"id": "x"})
        shop.browser().post("/sign-in", data={"name": OWNER, "password": "guess"})
    added = trail(shop)[: len(trail(shop)) - before]
    assert 1 <= len(added) <= 6, added


def test_the_trail_is_shown_by_pages_and_forgets_what_is_old(shop: GuardedShop) -> None:
    owner = shop.owner()
    for number in range(120):
        shop.doors.trail.write(
            who=f"writer {number}", role="owner", account_id=None, act="POST /x", status=200,
            address="",
        )  # fmt: skip
    seen: list[str] = []
    path: str | None = "/settings/trail"
    while path:
        page = owner.get(path).text
        seen += re.findall(r"writer (\d+)", page)
        older = re.search(r"/settings/trail\?before=\d+", page)
        path = older[0] if older else None
    assert seen == [str(number) for number in reversed(range(120))]
    shop.jump(days=KEPT.days + 1)
    for _ in range(SWEPT_EVERY):
        shop.doors.trail.write(
            who="late", role="", account_id=None, act="POST /x", status=200, address=""
        )
    assert {row.who for row in shop.doors.trail.page(limit=2000)} == {"late"}


def test_a_trail_that_cannot_be_written_holds_nothing_up(
    shop: GuardedShop, monkeypatch: pytest.MonkeyPatch
) -> None:
    program = shop.program("write")

    def full(**_: object) -> None:
        raise OSError("no space left on device")

    monkeypatch.setattr(shop.doors.trail, "write", full)
    assert program.post("/api/v1/places", json={"id": "rack"}).status_code == 201


# -- taps that waited ---------------------------------------------------------------------------


def test_a_tap_of_somebody_else_is_not_recorded_as_mine(shop: GuardedShop) -> None:
    ben, cleo = shop.invited(FINISHER, "owner"), shop.invited("Cleo", "finisher")
    shop.read_day("booth", 22.0, 40.0, hours=1)
    piece = shop.add_piece("41")
    ids = {person.name: str(person.id) for person in shop.people.people()}

    def coats() -> int:
        return sum(entry.kind == "coat" for entry in shop.desk.log(piece))

    tap = {"tap": "0b8f1a52-9c1e-4b2a-8a77-0d4c2b1f6e01", "tapped_by": ids[FINISHER]}
    accept = {"accept": "application/json"}
    refused = cleo.post(f"/instruments/{piece}/coat", data=tap, headers=accept)
    assert refused.status_code == 422
    assert "by somebody else" in refused.json()["detail"]
    assert coats() == 0
    done = ben.post(f"/instruments/{piece}/coat", data=tap, headers=accept)
    assert done.status_code == 303
    assert coats() == 1
