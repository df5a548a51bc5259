"""Before a way in is made one signs in once more, unless one has just done so."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from signinkit import FINISHER, OWNER, PASSWORD, GuardedShop, guarded_shop, session_of

from service.store.throttle import FREE
from service.web.signin.doors import LATELY
from service.web.signin.rights_table import AFRESH, ROUTES

LATE = LATELY.total_seconds() + 1.0
JSON = {"accept": "application/json"}


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[GuardedShop]:
    with guarded_shop(tmp_path) as made:
        yield made


def path_of(template: str, person_id: int | None) -> str:
    return (
        template.replace("{person_id:int}", str(person_id)).replace("{passkey_id:int}", "1")
    )  # fmt: skip


def test_every_way_in_asks_for_it(shop: GuardedShop) -> None:
    owner, ben = shop.owner(), shop.invited(FINISHER, "finisher")
    ben_id = next(p.id for p in shop.people.people() if p.name == FINISHER)
    shop.real.advance(seconds=LATE)
    for method, template in AFRESH:
        assert method in ROUTES[template]
        path = path_of(template, ben_id)
        refused = owner.request(method, path, headers=JSON)
        if path.startswith("/api/"):
            assert refused.status_code == 403, path
            assert refused.json()["errors"][0]["field"] == "again"
        else:
            answer = owner.post(path, headers={"referer": f"{shop.url}/settings/access"})
            assert answer.status_code == 303, path
            assert answer.headers["location"] == "/sign-in/again?next=%2Fsettings%2Faccess"
    assert shop.doors.tokens.in_use() == []
    assert shop.doors.links.waiting(int(ben_id or 0)) is None
    # What lets nobody in asks for nothing.
    assert owner.get("/settings/access").status_code == 200
    theirs = shop.doors.sessions.find(session_of(ben))
    assert theirs is not None
    assert owner.post(f"/settings/access/devices/{theirs.row.id}/end").status_code == 303


def token(browser: httpx.Client) -> int:
    """Ask for a token, as the page's form does."""
    fields = {"name": "a logger", "scope": "read", "days": "30"}
    return browser.post("/settings/access/tokens", data=fields).status_code


def test_whoever_signs_in_again_may_for_a_while(shop: GuardedShop) -> None:
    owner = shop.owner()
    assert token(owner) == 200
    shop.real.advance(seconds=LATE)
    assert token(owner) == 303
    asked = owner.get("/sign-in/again?next=/settings/access")
    assert asked.status_code == 200
    assert 'name="password"' in asked.text
    before = session_of(owner)
    sent = {"password": PASSWORD, "back": "/settings/access"}
    answer = owner.post("/sign-in/again", data=sent)
    assert (answer.status_code, answer.headers["location"]) == (303, "/settings/access")
    assert session_of(owner) != before
    assert shop.doors.sessions.find(before) is None, "the device is signed in once, not twice"
    assert token(owner) == 200
    assert owner.get("/sign-in/again?next=/more").headers["location"] == "/more"
    shop.real.advance(seconds=LATE)
    assert token(owner) == 303


def test_a_wrong_password_lets_nobody_on_and_guessing_is_slow(shop: GuardedShop) -> None:
    owner = shop.owner()
    shop.real.advance(seconds=LATE)
    for _ in range(FREE + 1):
        answer = owner.post("/sign-in/again", data={"password": "not this one"})
        assert answer.status_code == 422
    waits = owner.post("/sign-in/again", data={"password": PASSWORD})
    assert waits.status_code == 422
    assert "too many attempts" in waits.text.lower()
    assert token(owner) == 303
    shop.real.advance(minutes=1)
    led = {"password": PASSWORD, "back": "https://evil.example/"}
    answer = owner.post("/sign-in/again", data=led)
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    assert token(owner) == 200


def test_the_first_password_of_a_passkeys_owner_asks_too(shop: GuardedShop) -> None:
    browser = shop.browser()
    secret = shop.doors.links.make("owner", "owner")
    browser.post(f"/welcome/{secret}", data={"name": OWNER, "passkey": "1"})
    account = shop.doors.accounts.named(OWNER)
    assert account is not None
    path, wanted = "/settings/sign-in/password", {"password": "chosen by a stranger"}
    shop.real.advance(seconds=LATE)
    # Nothing could be asked for yet.
    assert shop.doors.signed_in_lately(shop.doors._by_cookie(session_of(browser)))
    shop.doors.passkeys.add(
        int(account.id or 0),
        credential_id="aa", public_key="bb", sign_count=0, rp_id="localhost", name="phone",
    )  # fmt: skip
    answer = browser.post(path, data=wanted)
    assert answer.headers["location"].startswith("/sign-in/again")
    kept = shop.doors.accounts.named(OWNER)
    assert kept is not None
    assert kept.password_hash == ""
    page = browser.get("/sign-in/again").text
    assert 'id="passkey-in"' in page
    assert 'name="password"' not in page


def test_who_has_neither_password_nor_passkey_cannot_be_asked(shop: GuardedShop) -> None:
    browser = shop.browser()
    secret = shop.doors.links.make("owner", "owner")
    browser.post(f"/welcome/{secret}", data={"name": OWNER, "later": "1"})
    shop.real.advance(days=3)
    answer = browser.post("/settings/sign-in/password", data={"password": "a long one, at last"})
    assert answer.headers["location"] == "/settings/sign-in?said=password-set"
    assert token(browser) == 303
