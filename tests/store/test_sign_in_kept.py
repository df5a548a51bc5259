"""Sign-in as the store keeps it: links, owners, devices, delays, tokens, passkeys, the trail."""

from __future__ import annotations

import itertools
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta

import pytest
from equipment import SetClock

from service.store.accounts import Accounts
from service.store.api_tokens import ApiTokens
from service.store.audit_book import AuditBook
from service.store.db import Database
from service.store.errors import BadInput, Conflict, NotFound
from service.store.one_time_links import LASTS, OneTimeLinks
from service.store.passkey_book import MOST, PasskeyBook
from service.store.people_book import PeopleBook
from service.store.sessions import LONGEST, SEEN_EVERY, UNUSED, Sessions
from service.store.throttle import LONGEST_WAIT, Throttle, wait_after


def owner(database: Database, clock: SetClock, name: str = "Ada") -> int:
    links = OneTimeLinks(database, clock)
    _, account = links.accept(links.make("owner", "owner"), "", "", name=name)
    assert account is not None
    return int(account.id or 0)


def test_a_link_lets_one_in_however_many_come_at_once(database: Database, clock: SetClock) -> None:
    links = OneTimeLinks(database, clock)
    secret = links.make("owner", "owner")

    def come(number: int) -> bool:
        try:
            links.accept(secret, "", "", name=f"Person {number}")
        except NotFound:
            return False
        return True

    with ThreadPoolExecutor(8) as pool:
        assert sum(pool.map(come, range(16))) == 1
    assert len(PeopleBook(database, clock).people()) == 1


@pytest.mark.parametrize("purpose", ["owner", "invite", "wall"])
def test_a_link_ends_with_its_time(database: Database, clock: SetClock, purpose: str) -> None:
    links = OneTimeLinks(database, clock)
    person = PeopleBook(database, clock).add("Ben").id if purpose == "invite" else None
    secret = links.make(purpose, "guest", person)
    clock.at += LASTS[purpose] - timedelta(seconds=1)
    assert links.look(secret).purpose == purpose
    clock.advance(seconds=1)
    with pytest.raises(NotFound, match="too old"):
        links.look(secret)
    with pytest.raises(NotFound):
        links.accept(secret, "", "", name="Ben")


def test_one_of_two_owners_may_go_and_the_last_may_not(database: Database, clock: SetClock) -> None:
    accounts, people = Accounts(database, clock), PeopleBook(database, clock)
    owner(database, clock)
    owner(database, clock, "Ben")
    ids = {person.name: int(person.id or 0) for person in people.people()}
    accounts.set_role(ids["Ada"], "guest")
    with pytest.raises(Conflict, match="needs an owner"):
        accounts.set_role(ids["Ben"], "finisher")
    with pytest.raises(Conflict, match="needs an owner"):
        accounts.close(ids["Ben"])
    with pytest.raises(Conflict, match="needs an owner"):
        people.retire(ids["Ben"])
    assert "Ben" in {person.name for person in people.people()}, "nothing of it was done"
    with pytest.raises(BadInput, match="role"):
        accounts.set_role(ids["Ada"], "emperor")


def test_who_is_taken_away_leaves_nothing_to_come_in_by(
    database: Database, clock: SetClock
) -> None:
    accounts, sessions, keys = (
        Accounts(database, clock), Sessions(database, clock), PasskeyBook(database, clock)
    )  # fmt: skip
    owner(database, clock)
    account_id = owner(database, clock, "Ben")
    token = sessions.begin(account_id, "", "")
    accounts.set_password(account_id, "$argon2id$x")
    keys.add(
        account_id, credential_id="a", public_key="b", sign_count=1, rp_id="localhost", name=""
    )
    ben = next(p for a, p in accounts.everybody() if a.id == account_id)
    PeopleBook(database, clock).retire(int(ben.id or 0))
    assert sessions.find(token) is None
    assert keys.find("a") is None
    assert accounts.named("Ben") is None
    again = owner(database, clock, "Ben")
    assert again == account_id
    assert accounts.get(again).password_hash == "", "an old password does not come back"
    assert sessions.find(token) is None


def test_a_device_is_seen_and_ends_by_age_or_by_hand(database: Database, clock: SetClock) -> None:
    sessions = Sessions(database, clock)
    account_id = owner(database, clock)
    token = sessions.begin(account_id, "phone", "10.0.0.2")
    device = sessions.find(token)
    assert device is not None
    clock.at += SEEN_EVERY
    sessions.seen(device)
    seen = sessions.find(token)
    assert seen is not None
    assert seen.row.seen_at == clock.now()
    with pytest.raises(NotFound):
        sessions.end(int(device.row.id or 0), account_id + 1)
    clock.at += UNUSED
    assert sessions.find(token) is None
    assert sessions.alive() == []
    clock.at += LONGEST
    sessions.begin(account_id, "another", "")
    with pytest.raises(NotFound):
        sessions.end(int(device.row.id or 0))


def test_the_wait_doubles_to_its_longest() -> None:
    waits = [wait_after(failures) for failures in range(30)]
    assert waits[:6] == [timedelta(seconds=s) for s in (0, 0, 0, 2, 4, 8)]
    assert all(earlier <= later for earlier, later in itertools.pairwise(waits))
    assert max(waits) == LONGEST_WAIT == waits[-1]


def test_attempts_at_once_are_counted_one_by_one(database: Database, clock: SetClock) -> None:
    throttle = Throttle(database, clock)
    with ThreadPoolExecutor(8) as pool:
        waits = list(pool.map(lambda _: throttle.begin("Ada", "10.0.0.9"), range(20)))
    assert sum(not wait for wait in waits) == 3
    assert not throttle.begin("Ada", "10.0.0.8")
    clock.at += timedelta(days=2)
    assert not throttle.begin("Ada", "10.0.0.9"), "long ago is forgotten"


def test_a_token_is_known_until_it_ends(database: Database, clock: SetClock) -> None:
    tokens = ApiTokens(database, clock)
    token = tokens.make("pad", "read", 2, None)
    row = tokens.find(token)
    assert row is not None
    tokens.used(row)
    assert tokens.in_use()[0].used_at == clock.now()
    assert tokens.find(token[:-1]) is None
    clock.advance(days=2)
    assert tokens.find(token) is None
    assert tokens.in_use() == []


def test_passkeys_are_few_and_each_is_known_once(database: Database, clock: SetClock) -> None:
    keys, account_id = PasskeyBook(database, clock), owner(database, clock)
    made = [
        keys.add(
            account_id, credential_id=f"k{n}", public_key="b", sign_count=0, rp_id="h", name=""
        )
        for n in range(MOST - 1)
    ]
    with pytest.raises(Conflict, match="known already"):
        keys.add(account_id, credential_id="k1", public_key="b", sign_count=0, rp_id="h", name="")
    keys.add(account_id, credential_id="last", public_key="b", sign_count=0, rp_id="h", name="")
    with pytest.raises(Conflict):
        keys.add(account_id, credential_id="more", public_key="b", sign_count=0, rp_id="h", name="")
    with pytest.raises(NotFound):
        keys.remove(account_id + 1, int(made[0].id or 0))
    keys.remove(account_id, int(made[0].id or 0))
    assert keys.find("k0") is None


def test_the_trail_is_given_newest_first(database: Database, clock: SetClock) -> None:
    trail, account_id = AuditBook(database, clock), owner(database, clock)
    for number in range(5):
        trail.write(
            who="Ada", role="owner", account_id=account_id if number % 2 else None,
            act=f"POST /{number}" + "x" * 400, status=200, address="10.0.0.2",
        )  # fmt: skip
    rows = trail.page(limit=3)
    assert [row.act[6] for row in rows] == ["4", "3", "2"]
    assert [row.act[6] for row in trail.page(before=rows[-1].id)] == ["1", "0"]
    assert [row.act[6] for row in trail.page(account_id=account_id)] == ["3", "1"]
