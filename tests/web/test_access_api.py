"""Ways in over the API: the same as the pages offer, by the same rights, in the same trail."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from urllib.parse import urlsplit

import httpx
import pytest
from shopkit import live_shop
from signinkit import FINISHER, GUEST, OWNER, PASSWORD, GuardedShop, guarded_shop, session_of

from service.store.one_time_links import LASTS

API = "/api/v1"


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[GuardedShop]:
    with guarded_shop(tmp_path) as made:
        yield made


def ids(shop: GuardedShop) -> dict[str, int]:
    return {person.name: int(person.id or 0) for person in shop.people.people()}


def test_an_invitation_lets_whom_it_is_for_in_once(shop: GuardedShop) -> None:
    owner = shop.owner()
    ben = shop.people.add(FINISHER).id
    path = f"{API}/access/people/{ben}/invitations"
    answer = owner.post(path, json={"role": "finisher"})
    assert answer.status_code == 201, answer.text
    link = answer.json()
    assert datetime.fromisoformat(link["ends_at"]) == shop.real.now() + LASTS["invite"]
    listed = {row["name"]: row for row in owner.get(f"{API}/access/people").json()}
    assert listed[FINISHER] == {
        "person": ben, "name": FINISHER, "role": None, "link_until": link["ends_at"],
    }  # fmt: skip
    assert listed[OWNER]["role"] == "owner"
    secret = urlsplit(link["address"]).path
    assert secret.startswith("/welcome/")
    assert shop.browser().post(secret, data={"password": PASSWORD}).status_code == 303
    assert shop.browser().post(secret, data={"password": PASSWORD}).status_code == 404
    listed = {row["name"]: row for row in owner.get(f"{API}/access/people").json()}
    assert (listed[FINISHER]["role"], listed[FINISHER]["link_until"]) == ("finisher", None)
    assert owner.post(path, json={"role": "king"}).status_code == 422
    nobody = owner.post(f"{API}/access/people/999/invitations", json={"role": "guest"})
    assert nobody.status_code == 404


def test_roles_are_set_and_taken_away_but_not_the_last_owners(shop: GuardedShop) -> None:
    owner, cleo = shop.owner(), shop.invited(GUEST, "guest")
    known = ids(shop)
    path = f"{API}/access/people/{known[GUEST]}"
    assert cleo.post("/places/new", data={"name": "Attic"}).status_code == 403
    answer = owner.put(f"{path}/role", json={"role": "finisher"})
    assert answer.json()["role"] == "finisher"
    assert cleo.post("/places/new", data={"name": "Attic"}).status_code == 303
    assert owner.delete(path).status_code == 204
    assert cleo.get("/more").status_code == 303, "out at once"
    assert owner.put(f"{path}/role", json={"role": "guest"}).status_code == 404
    own = f"{API}/access/people/{known[OWNER]}"
    last = owner.put(f"{own}/role", json={"role": "guest"})
    assert (last.status_code, last.json()["errors"][0]["field"]) == (409, "role")
    assert owner.delete(own).status_code == 409


def test_devices_are_listed_and_ended_ones_own_by_anybody(shop: GuardedShop) -> None:
    owner, ben = shop.owner(), shop.invited(FINISHER, "finisher")
    wall = shop.browser()
    link = owner.post(f"{API}/access/wall-links").json()["address"]
    assert wall.post(urlsplit(link).path).status_code == 303
    every = owner.get(f"{API}/access/devices").json()
    assert {row["name"] for row in every} == {OWNER, FINISHER, None}
    assert [row["name"] for row in every if row["this"]] == [OWNER]
    by_name = {row["name"]: row["id"] for row in every}
    again = shop.browser()
    again.post("/sign-in", data={"name": FINISHER, "password": PASSWORD})
    own = ben.get(f"{API}/sign-in/devices").json()
    assert len(own) == 2
    assert {row["name"] for row in own} == {FINISHER}
    # Nobody ends another's but an owner.
    assert ben.delete(f"{API}/sign-in/devices/{by_name[OWNER]}").status_code == 404
    assert ben.delete(f"{API}/access/devices/{by_name[OWNER]}").status_code == 403
    assert ben.delete(f"{API}/sign-in/devices").status_code == 204
    assert again.get("/more").status_code == 303
    assert ben.get("/more").status_code == 200
    assert ben.delete(f"{API}/sign-in/devices/{by_name[FINISHER]}").status_code == 204
    assert ben.get("/more").status_code == 303
    assert owner.delete(f"{API}/access/devices/{by_name[None]}").status_code == 204
    assert wall.get("/wall").status_code == 303
    assert owner.delete(f"{API}/access/devices/{by_name[None]}").status_code == 404


def test_a_token_is_told_once_and_counts_until_it_is_taken_away(shop: GuardedShop) -> None:
    owner = shop.owner()
    answer = owner.post(f"{API}/access/tokens", json={"name": "a logger", "scope": "read"})
    assert answer.status_code == 201
    made = answer.json()
    assert answer.headers["location"] == f"{API}/access/tokens/{made['id']}"
    assert datetime.fromisoformat(made["ends_at"]) == shop.real.now() + timedelta(days=365)
    program = httpx.Client(
        base_url=shop.url, headers={"authorization": f"Bearer {made['token']}"}, timeout=20
    )
    with program:
        assert program.get(f"{API}/places").status_code == 200
        # A token makes no ways in.
        refused = program.post(f"{API}/access/tokens", json={"name": "b", "scope": "write"})
        assert refused.status_code == 403
        told = owner.get(f"{API}/access/tokens")
        assert made["token"] not in told.text
        assert [row["id"] for row in told.json()] == [made["id"]]
        assert owner.delete(f"{API}/access/tokens/{made['id']}").status_code == 204
        assert program.get(f"{API}/places").status_code == 401
    assert owner.delete(f"{API}/access/tokens/{made['id']}").status_code == 404
    for wrong in ({"name": "", "scope": "read"}, {"name": "b", "scope": "all"},
                  {"name": "b", "scope": "read", "days": 0}):  # fmt: skip
        assert owner.post(f"{API}/access/tokens", json=wrong).status_code == 422


def test_all_of_it_is_in_the_trail_and_no_secret_is(shop: GuardedShop) -> None:
    owner = shop.owner()
    ben = shop.people.add(FINISHER).id
    path = f"{API}/access/people/{ben}/invitations"
    link = owner.post(path, json={"role": "guest"}).json()["address"]
    token = owner.post(f"{API}/access/tokens", json={"name": "b", "scope": "read"}).json()
    owner.delete(f"{API}/access/tokens/{token['id']}")
    rows = shop.doors.trail.page(None, 50)
    acts = [(row.who, row.act, row.status) for row in rows]
    for act, status in (
        (f"POST {path}", 201), (f"POST {API}/access/tokens", 201),
        (f"DELETE {API}/access/tokens/{token['id']}", 204),
    ):  # fmt: skip
        assert (OWNER, act, status) in acts
    written = " ".join(str(row.model_dump()) for row in rows)
    for secret in (token["token"], link.rpartition("/")[2], session_of(owner)):
        assert secret not in written


def test_with_sign_in_off_there_is_nothing_to_give(tmp_path: Path) -> None:
    with live_shop(tmp_path) as shop:
        person = shop.people.add(FINISHER).id
        assert shop.http.get(f"{API}/access/devices").json() == []
        assert shop.http.get(f"{API}/sign-in/devices").json() == []
        for path, body in (
            (f"{API}/access/people/{person}/invitations", {"role": "guest"}),
            (f"{API}/access/tokens", {"name": "b", "scope": "read"}),
            (f"{API}/access/wall-links", None),
        ):
            answer = shop.http.post(path, json=body)
            assert answer.status_code == 422, path
            assert answer.json()["errors"][0]["field"] == "sign_in"
