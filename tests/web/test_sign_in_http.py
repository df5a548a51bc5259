"""Coming in and going out over real HTTP: the first link, passwords, devices, delays, links."""

from __future__ import annotations

import re
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from signinkit import FINISHER, OWNER, PASSWORD, GuardedShop, guarded_shop, session_of

from service.store.sessions import LONGEST, UNUSED
from service.web.signin.cookies import SESSION


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[GuardedShop]:
    with guarded_shop(tmp_path) as made:
        yield made


def test_whoever_is_not_signed_in_is_led_to_where_one_signs_in_and_back(shop: GuardedShop) -> None:
    shop.owner()
    browser = shop.browser()
    answer = browser.get("/instruments?state=all")
    assert answer.status_code == 303
    assert answer.headers["location"] == "/sign-in?next=%2Finstruments%3Fstate%3Dall"
    page = browser.get(answer.headers["location"])
    assert page.status_code == 200
    assert 'name="back" value="/instruments?state=all"' in page.text
    fields = {"name": OWNER, "password": PASSWORD, "back": "/instruments?state=all"}
    done = browser.post("/sign-in", data=fields)
    assert (done.status_code, done.headers["location"]) == (303, "/instruments?state=all")
    assert browser.get("/instruments").status_code == 200
    assert browser.get("/sign-in?next=/plan").headers["location"] == "/plan"


@pytest.mark.parametrize(
    "elsewhere", ["https://evil.example/", "//evil.example", "/\\evil.example"]
)
def test_nobody_is_led_to_another_site(shop: GuardedShop, elsewhere: str) -> None:
    shop.owner()
    browser = shop.browser()
    fields = {"name": OWNER, "password": PASSWORD, "back": elsewhere}
    assert browser.post("/sign-in", data=fields).headers["location"] == "/"
    page = shop.browser().get("/sign-in", params={"next": elsewhere})
    assert 'name="back" value="/"' in page.text


def test_programs_are_told_in_their_own_way(shop: GuardedShop) -> None:
    answer = shop.http.get("/api/v1/instruments")
    assert answer.status_code == 401
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.headers["www-authenticate"] == "Bearer"
    assert shop.http.post("/api/v1/places", json={"id": "x"}).status_code == 401
    assert shop.http.get("/nothing/there").status_code == 401, "what there is, is nobody's business"
    assert shop.desk.places() == []


def test_a_script_that_asks_for_a_page_is_not_led_to_another_one(shop: GuardedShop) -> None:
    answer = shop.browser().get("/", headers={"boothglass-script": "1"})
    assert answer.status_code == 401
    assert 'id="signed-out"' in answer.text


def test_the_cookie_is_out_of_reach_of_scripts_and_of_other_sites(shop: GuardedShop) -> None:
    browser = shop.browser()
    link = f"/welcome/{shop.doors.links.make('owner', 'owner')}"
    plain = browser.post(link, data={"name": OWNER, "later": "1"}).headers["set-cookie"].lower()
    assert {"httponly", "samesite=lax", "path=/"} <= {part.strip() for part in plain.split(";")}
    assert "secure" not in plain
    proxied = shop.browser(**{"x-forwarded-proto": "https", "origin": shop.url})
    link = f"/welcome/{shop.doors.links.make('owner', 'owner')}"
    sent = proxied.post(link, data={"name": OWNER, "later": "1"}).headers["set-cookie"].lower()
    assert "secure" in {part.strip() for part in sent.split(";")}


def test_no_secret_is_kept_as_it_is(shop: GuardedShop) -> None:
    owner = shop.owner()
    secret = shop.doors.links.make("invite", "guest", shop.people.add("Cleo").id)
    with shop.db.engine.connect() as connection:
        rows = [
            str(row)
            for table in ("account", "devicesession", "onetimelink", "auditentry")
            for row in connection.exec_driver_sql(f"SELECT * FROM {table}").fetchall()  # noqa: S608
        ]
    kept = "\n".join(rows)
    assert "$argon2id$" in kept
    for one in (PASSWORD, session_of(owner), secret):
        assert one not in kept


def test_the_first_link_works_once_and_looking_at_it_uses_nothing_up(shop: GuardedShop) -> None:
    link = f"/welcome/{shop.doors.links.make('owner', 'owner')}"
    for _ in range(3):
        assert "You are the owner" in shop.browser().get(link).text
    first = shop.browser()
    assert first.post(link, data={"name": OWNER, "later": "1"}).headers["location"] == "/"
    assert first.get("/more").status_code == 200
    again = shop.browser()
    for answer in (again.get(link), again.post(link, data={"name": "Eve", "later": "1"})):
        assert answer.status_code == 404
        assert "This link is over" in answer.text
    assert SESSION not in again.cookies
    assert [person.name for person in shop.people.people()] == [OWNER]


def test_a_newer_link_ends_the_older_and_age_ends_any(shop: GuardedShop) -> None:
    older = shop.doors.links.make("owner", "owner")
    newer = shop.doors.links.make("owner", "owner")
    assert shop.browser().get(f"/welcome/{older}").status_code == 404
    assert shop.browser().get(f"/welcome/{newer}").status_code == 200
    shop.real.advance(hours=24, seconds=1)
    assert shop.browser().get(f"/welcome/{newer}").status_code == 404


def test_a_form_that_was_wrong_leaves_the_link_usable(shop: GuardedShop) -> None:
    link = f"/welcome/{shop.doors.links.make('owner', 'owner')}"
    browser = shop.browser()
    for wrong in ("short", "aaaaaaaaaaaa", "x" * 201, "the owner now", ""):
        answer = browser.post(link, data={"name": "The Owner Now", "password": wrong})
        assert answer.status_code == 422, wrong
        assert "password-wrong" in answer.text
        assert f'value="{wrong}"' not in answer.text or not wrong
    assert browser.post(link, data={"name": "", "later": "1"}).status_code == 422
    done = browser.post(link, data={"name": "The Owner Now", "password": PASSWORD})
    assert done.status_code == 303


def test_two_at_the_same_link_at_once_let_one_in(shop: GuardedShop) -> None:
    link = f"/welcome/{shop.doors.links.make('owner', 'owner')}"
    browsers = [shop.browser() for _ in range(8)]
    with ThreadPoolExecutor(8) as pool:
        got = list(pool.map(lambda b: b.post(link, data={"name": OWNER, "later": "1"}), browsers))
    assert sorted(answer.status_code for answer in got) == [303] + [404] * 7


def test_an_invitation_makes_whom_it_is_for_what_it_says(shop: GuardedShop) -> None:
    owner = shop.owner()
    ben = shop.people.add(FINISHER)
    page = owner.post(f"/settings/access/people/{ben.id}/invite", data={"role": "finisher"})
    assert page.status_code == 200
    address = page.text.partition('id="link">')[2].partition("<")[0]
    link = urlsplit(address).path
    assert re.fullmatch(r"/welcome/[\w-]{43}", link)
    assert page.headers["cache-control"] == "no-store"
    browser = shop.browser()
    # A name that is sent along changes nothing.
    answer = browser.post(link, data={"name": OWNER, "password": PASSWORD, "role": "owner"})
    assert answer.status_code == 303
    accounts = {p.name: a.role for a, p in shop.doors.accounts.everybody()}
    assert accounts == {OWNER: "owner", FINISHER: "finisher"}
    assert browser.get("/settings/access").status_code == 403
    assert owner.get("/settings/access").status_code == 200


def test_a_wrong_password_and_a_wrong_name_look_the_same(shop: GuardedShop) -> None:
    shop.owner()
    wrong = shop.browser().post("/sign-in", data={"name": OWNER, "password": "not this one"})
    nobody = shop.browser().post("/sign-in", data={"name": "Nobody", "password": "not this one"})
    assert wrong.status_code == nobody.status_code == 422
    said = [answer.text.partition("<main")[2] for answer in (wrong, nobody)]
    assert said[0].replace(OWNER, "x") == said[1].replace("Nobody", "x")


def slip(shop: GuardedShop, times: int, name: str = OWNER, address: str = "127.0.0.1") -> list[int]:
    """Fail so often at a name, waiting each time for as long as it takes; return the waits in s."""
    waits: list[int] = []
    while len(waits) < times:
        wait = shop.doors.throttle.begin(name, address)
        if not wait:
            waits.append(0)
        else:
            waits[-1] = int(wait.total_seconds())
            shop.real.advance(seconds=wait.total_seconds())
    return waits


def test_each_failure_makes_the_next_wait_longer_and_never_for_good(shop: GuardedShop) -> None:
    shop.owner()
    waits = slip(shop, 15)
    assert waits[:5] == [0, 0, 2, 4, 8]
    assert waits[-2] == max(waits) == 15 * 60
    shop.doors.throttle.begin(OWNER, "127.0.0.1")
    browser = shop.browser()
    right = {"name": f" {OWNER.upper()} ", "password": PASSWORD}
    held = browser.post("/sign-in", data=right)
    assert held.status_code == 429
    assert held.headers["retry-after"] == str(15 * 60)
    assert "again in 15 min" in held.text
    shop.real.advance(minutes=15)
    assert browser.post("/sign-in", data=right).status_code == 303
    assert slip(shop, 3) == [0, 0, 0], "who got in begins anew"


def test_guesses_at_one_name_hold_up_nobody_elsewhere(shop: GuardedShop) -> None:
    shop.owner()
    slip(shop, 6, address="192.168.1.66")
    assert shop.doors.throttle.begin(OWNER, "192.168.1.66") > timedelta()
    here = shop.browser().post("/sign-in", data={"name": OWNER, "password": PASSWORD})
    assert here.status_code == 303


def test_guesses_at_many_names_hold_up_their_address(shop: GuardedShop) -> None:
    waits = [shop.doors.throttle.begin(f"name {n}", "192.168.1.66") for n in range(25)]
    assert waits[:20] == [timedelta()] * 20
    assert any(waits[20:])
    assert not shop.doors.throttle.begin("name 1", "192.168.1.67")


def test_many_guesses_at_once_are_no_quicker(shop: GuardedShop) -> None:
    with ThreadPoolExecutor(12) as pool:
        waits = list(pool.map(lambda _: shop.doors.throttle.begin(OWNER, "10.0.0.9"), range(24)))
    assert sum(not wait for wait in waits) <= 3


def test_the_machines_own_link_waits_for_nothing(shop: GuardedShop) -> None:
    shop.owner()
    slip(shop, 12)
    assert shop.doors.throttle.begin(OWNER, "127.0.0.1") > timedelta()
    browser = shop.browser()
    link = f"/welcome/{shop.doors.links.make('owner', 'owner')}"
    assert f'value="{OWNER}"' in browser.get(link).text, "the owner's name is known"
    answer = browser.post(link, data={"name": OWNER, "password": "another long one"})
    assert answer.status_code == 303
    answer = shop.browser().post("/sign-in", data={"name": OWNER, "password": "another long one"})
    assert answer.status_code == 303


def test_a_new_password_signs_other_devices_out(shop: GuardedShop) -> None:
    here = shop.owner()
    there = shop.browser()
    there.post("/sign-in", data={"name": OWNER, "password": PASSWORD})
    assert there.get("/more").status_code == 200
    path = "/settings/sign-in/password"
    wrong = here.post(path, data={"present": "not this one", "password": "a better one now"})
    assert wrong.status_code == 422
    assert there.get("/more").status_code == 200
    same = here.post(path, data={"present": PASSWORD, "password": PASSWORD})
    assert same.status_code == 422
    done = here.post(path, data={"present": PASSWORD, "password": "a better one now"})
    assert done.status_code == 303
    assert here.get("/more").status_code == 200
    assert there.get("/more").status_code == 303
    assert there.post("/sign-in", data={"name": OWNER, "password": PASSWORD}).status_code == 422


def test_devices_are_listed_and_signed_out_one_by_one(shop: GuardedShop) -> None:
    here, ben = shop.owner(), shop.invited(FINISHER, "finisher")
    listed = here.get("/settings/access").text
    assert listed.count("/settings/access/devices/") == 1, "all but this one can be ended here"
    theirs = shop.doors.sessions.find(session_of(ben))
    mine = shop.doors.sessions.find(session_of(here))
    assert theirs is not None
    assert mine is not None
    # Nobody ends another's but an owner.
    path = f"/settings/sign-in/devices/{mine.row.id}/end"
    assert ben.post(path).status_code == 404
    assert ben.post(f"/settings/access/devices/{mine.row.id}/end").status_code == 403
    assert here.post(f"/settings/access/devices/{theirs.row.id}/end").status_code == 303
    assert ben.get("/more").status_code == 303
    assert here.get("/more").status_code == 200


def test_signing_out_ends_the_session_and_not_only_the_cookie(shop: GuardedShop) -> None:
    browser = shop.owner()
    token = session_of(browser)
    answer = browser.post("/sign-out")
    assert answer.headers["location"] == "/sign-in?said=signed-out"
    assert SESSION not in browser.cookies
    kept = shop.browser()
    kept.cookies.set(SESSION, token)
    assert kept.get("/more").status_code == 303


def test_each_sign_in_gets_a_token_of_its_own(shop: GuardedShop) -> None:
    browser = shop.owner()
    first = session_of(browser)
    planted = shop.browser()
    planted.cookies.set(SESSION, "planted-by-somebody", domain="127.0.0.1")
    planted.post("/sign-in", data={"name": OWNER, "password": PASSWORD})
    assert (
        planted.cookies.get(SESSION, domain="127.0.0.1.local", default=first)
        != "planted-by-somebody"
    )
    assert shop.doors.sessions.find("planted-by-somebody") is None


def test_a_session_ends_by_itself(shop: GuardedShop) -> None:
    browser = shop.owner()
    token = session_of(browser)
    find = shop.doors.sessions.find
    for _ in range(5):
        shop.real.at += UNUSED - timedelta(hours=1)
        if (found := find(token)) is not None:
            shop.doors.sessions.seen(found)
    assert find(token) is None, f"in use, and over all the same after {LONGEST.days} days"
    fresh = shop.doors.sessions.begin(1, "", "")
    shop.real.at += UNUSED
    assert find(fresh) is None, "not used for so long"


def test_the_last_owner_stays(shop: GuardedShop) -> None:
    owner = shop.owner()
    (ada,) = shop.people.people()
    for path, fields in (
        (f"/settings/access/people/{ada.id}/role", {"role": "guest"}),
        (f"/settings/access/people/{ada.id}/close", {}),
    ):
        answer = owner.post(path, data=fields)
        assert answer.status_code == 422
        assert "needs an owner" in answer.text
    assert owner.post(f"/settings/people/{ada.id}/remove").status_code == 409
    assert owner.get("/settings/access").status_code == 200
    shop.invited(FINISHER, "owner")
    assert owner.post(f"/settings/access/people/{ada.id}/role", data={"role": "guest"}).is_redirect
    assert owner.get("/settings/access").status_code == 403, "at once"


def test_whoever_is_taken_away_is_out_at_once(shop: GuardedShop) -> None:
    owner, ben = shop.owner(), shop.invited(FINISHER, "finisher")
    cleo = shop.invited("Cleo", "guest")
    ids = {person.name: person.id for person in shop.people.people()}
    assert ben.get("/more").status_code == 200
    assert owner.post(f"/settings/people/{ids[FINISHER]}/remove").status_code == 303
    assert ben.get("/more").status_code == 303
    assert cleo.get("/more").status_code == 200
    assert owner.post(f"/settings/access/people/{ids['Cleo']}/close").status_code == 303
    assert cleo.get("/more").status_code == 303
    entry = {"name": "Cleo", "password": PASSWORD}
    assert cleo.post("/sign-in", data=entry).status_code == 422, "the password went too"


def test_with_sign_in_off_nothing_asks_for_it(tmp_path: Path) -> None:
    with guarded_shop(tmp_path, sign_in="off") as shop:
        browser = shop.browser()
        assert browser.get("/").status_code == 200
        assert browser.get("/sign-in?next=/plan").headers["location"] == "/plan"
        assert browser.get("/welcome/anything").headers["location"] == "/"
        assert "Sign-in is off here" in browser.get("/settings/access").text
        assert "Sign-in is off here" in browser.get("/settings/sign-in").text
        assert shop.http.post("/api/v1/places", json={"id": "x"}).status_code == 201
