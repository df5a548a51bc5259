"""The table of roles and routes: whole, refusing by default, and true over real HTTP."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator
from typing import Any

import fastapi.routing
import httpx
import pytest
from fastapi import FastAPI
from signinkit import FINISHER, GUEST, GuardedShop, guarded_shop
from starlette.routing import Mount, compile_path

from service.store.api_tokens import SCOPES
from service.web.guard import WRITES
from service.web.signin.caller import NOBODY, Caller
from service.web.signin.rights import Rights
from service.web.signin.rights_table import LEVELS, MOUNTS, ROUTES

METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS")


def routes_of(app: FastAPI) -> set[tuple[str, str]]:
    """Every method and path that the application answers to."""
    every: set[tuple[str, str]] = set()
    for route in fastapi.routing.iter_route_contexts(app.routes):
        if isinstance(route.route, Mount):
            every.add(("GET", f"{route.path}/"))
        every |= {(m, str(route.path)) for m in route.methods or () if m != "HEAD"}
    return every


def path_of(template: str) -> str:
    """A path that fits a template; nothing in the shop is called so."""
    return re.sub(r"\{\w+(:int)?\}", lambda found: "999999" if found[1] else "no-such", template)


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[GuardedShop]:
    with guarded_shop(tmp_path_factory.mktemp("shop")) as made:
        made.read_day("booth", 22.0, 40.0, hours=2)
        yield made


@pytest.fixture(scope="module")
def callers(shop: GuardedShop) -> dict[str, httpx.Client]:
    """A browser for each role."""
    return {
        "nobody": shop.browser(),
        "owner": shop.owner(),
        "finisher": shop.invited(FINISHER, "finisher"),
        "guest": shop.invited(GUEST, "guest"),
        "wall": shop.wall(),
        **{f"token-{scope}": shop.program(scope) for scope in SCOPES},
    }


def test_every_route_stands_in_the_table_and_every_row_has_its_route(shop: GuardedShop) -> None:
    there = routes_of(shop.app)
    assert len(there) > 200, "the routes are found at all"
    rows = {(method, path) for path, by in ROUTES.items() for method in by}
    rows |= {("GET", f"{mount}/") for mount in MOUNTS}
    assert there - rows == set(), "routes without a row in service/web/signin/rights_table.py"
    assert rows - there == set(), "rows without a route"


def test_every_row_names_a_level_and_every_level_known_roles() -> None:
    levels = {level for by in ROUTES.values() for level in by.values()} | set(MOUNTS.values())
    assert levels == set(LEVELS)
    roles = {"owner", "finisher", "guest", "wall", "nobody"}
    roles |= {"token-read", "token-write", "token-readings"}
    assert set().union(*LEVELS.values()) == roles
    for level in set(LEVELS) - {"anyone", "secret"}:
        assert "nobody" not in LEVELS[level]
    assert all("owner" in allowed for allowed in LEVELS.values())


def test_who_only_reads_reaches_nothing_that_writes() -> None:
    own = {"anyone", "secret", "me", "leave"}
    for path, by in ROUTES.items():
        for method in by.keys() & WRITES:
            if by[method] in own:
                continue
            for role in ("guest", "wall", "token-read", "nobody"):
                assert role not in LEVELS[by[method]], (method, path)
            reading = role_may("token-readings", by[method])
            assert not reading or (method, path) == ("POST", "/api/v1/forecast")


def role_may(role: str, level: str) -> bool:
    """Whether a role reaches a level, by the table."""
    return role in LEVELS[level]


def test_the_table_finds_the_row_that_the_routers_find(shop: GuardedShop) -> None:
    """A path may fit several rows; the one that is asked for must be the one that answers."""
    templates = {path for _, path in routes_of(shop.app)} - {f"{mount}/" for mount in MOUNTS}
    rights = Rights()
    for template in templates:
        for path in {path_of(template), *plain_rivals(template, templates)}:
            for method in set(METHODS) - {"HEAD"}:
                answering = first_of(shop.app, method, path)
                right = rights.find(method, path)
                assert right is not None
                if answering is None:
                    assert right.level(method) is None, (method, path)
                else:
                    assert right.template == answering, (method, path)


def plain_rivals(template: str, templates: set[str]) -> set[str]:
    """Paths of other rows that fit this one too."""
    pattern = compile_path(template)[0]
    return {path_of(t) for t in templates if t != template and pattern.fullmatch(path_of(t))}


def first_of(app: FastAPI, method: str, path: str) -> str | None:
    """The template of the first route that takes this method on this path."""
    return next(
        (
            str(route.path)
            for route in fastapi.routing.iter_route_contexts(app.routes)
            if method in (route.methods or ()) and compile_path(str(route.path))[0].fullmatch(path)
        ),
        None,
    )


def test_what_stands_in_no_row_is_refused() -> None:
    rights = Rights({"/a": {"GET": "see"}}, {})
    owner = Caller("owner", account_id=1)
    assert rights.ask(owner, "GET", "/a") == "may"
    assert rights.ask(owner, "POST", "/a") == "method"
    assert rights.ask(owner, "GET", "/b") == "unknown"
    for method, path in itertools.product(METHODS, ("/a", "/a/", "/b", "//a", "/A", "")):
        assert rights.ask(NOBODY, method, path) == "sign in"


@pytest.mark.parametrize(
    "role",
    ["nobody", "owner", "finisher", "guest", "wall", "token-read", "token-write", "token-readings"],
)
def test_each_role_on_each_route_over_http(
    shop: GuardedShop, callers: dict[str, httpx.Client], role: str
) -> None:
    """Ask every route as every role; what is let through may fail, but not for want of a right."""
    browser = callers[role]
    for path, by in ROUTES.items():
        for method, level in by.items():
            if path in {"/sign-out", "/sign-in", "/api/v1/events"}:
                continue  # asked for themselves elsewhere: they end or open what is tested with
            if path == "/settings/sign-in/devices/end-others":
                continue
            answer = ask(browser, method, path_of(path))
            expected = role_may(role, level) and not (level == "self" and role != "owner")
            expected = expected or level == "machine"
            let_in = not refused(answer, role)
            assert let_in == expected, (role, method, path, answer.status_code)
            assert answer.status_code != 500, (method, path)
    for mount in MOUNTS:
        assert browser.get(f"{mount}/no-such").status_code == 404


def ask(browser: httpx.Client, method: str, path: str) -> httpx.Response:
    accept = "application/json" if path.startswith("/api/") else "text/html"
    return browser.request(method, path, headers={"accept": accept})


def refused(answer: httpx.Response, role: str) -> bool:
    """Whether the gate held it up."""
    if role == "nobody":
        to_sign_in = answer.headers.get("location", "").startswith("/sign-in")
        return answer.status_code == 401 or (answer.status_code == 303 and to_sign_in)
    return answer.status_code == 403


def test_a_finisher_reaches_their_own_person_and_no_other(
    shop: GuardedShop, callers: dict[str, httpx.Client]
) -> None:
    ids = {person.name: person.id for person in shop.people.people()}
    ben, cleo = callers["finisher"], callers["guest"]
    for path in ("/settings/people/{}", "/api/v1/people/{}/channels"):
        assert ask(ben, "GET", path.format(ids[FINISHER])).status_code == 200
        assert ask(ben, "GET", path.format(ids[GUEST])).status_code == 403
        assert ask(cleo, "GET", path.format(ids[GUEST])).status_code == 403
    changed = ben.post(f"/settings/people/{ids[GUEST]}", data={"name": "Mallory"})
    assert changed.status_code == 403
    for odd in (f"0{ids[FINISHER]}", f"{ids[FINISHER]}/", f"{ids[FINISHER]}%2e"):
        assert ben.post(f"/settings/people/{odd}", data={"name": "Ben"}).status_code in {403, 404}
    assert ben.post(f"/settings/people/{ids[FINISHER]}", data={"name": FINISHER}).status_code == 303


def test_ways_around_the_table_lead_nowhere(
    shop: GuardedShop, callers: dict[str, httpx.Client]
) -> None:
    nobody = callers["nobody"]
    for path in (
        "/settings/", "//settings", "/./settings", "/SETTINGS", "/settings%2f", "/%73ettings",
        "/settings;x", "/settings?x=/sign-in", "/assets/../settings", "/assets/..%2fsettings",
        "/icons/%2e%2e/settings", "/api/v1/people/", "/api//v1/people", "/openapi.json/",
    ):  # fmt: skip
        answer = nobody.get(path, headers={"accept": "application/json"})
        assert answer.status_code in {401, 404}, path
        assert "People" not in answer.text
    for header in ("x-http-method-override", "x-original-url", "x-rewrite-url"):
        answer = nobody.get("/sign-in", headers={header: "/settings"})
        assert "Name of the shop" not in answer.text


def test_the_health_is_told_on_the_machine_and_not_to_the_network(shop: GuardedShop) -> None:
    assert shop.http.get("/api/v1/health").status_code == 200
    away = {"x-forwarded-for": "192.168.1.50"}  # as a proxy on this machine says it
    assert shop.http.get("/api/v1/health", headers=away).status_code == 401


def test_a_cookie_alone_writes_nothing(shop: GuardedShop, callers: dict[str, Any]) -> None:
    """A form of another site may carry a cookie along; it cannot say that it comes from here."""
    owner = callers["owner"]
    session = dict(owner.cookies)
    bare = httpx.Client(base_url=shop.url, cookies=session, headers={"accept": "text/html"})
    with bare:
        assert bare.get("/settings").status_code == 200
        for proof, status in (
            ({}, 403),
            ({"origin": "https://evil.example"}, 403),
            ({"origin": "null"}, 403),
            ({"sec-fetch-site": "cross-site"}, 403),
            ({"sec-fetch-site": "same-site"}, 403),
            ({"origin": shop.url}, 303),
            ({"sec-fetch-site": "same-origin"}, 303),
        ):
            answer = bare.post("/settings", data={"name": "Shop"}, headers=proof)
            assert answer.status_code == status, proof
            answer = bare.patch("/api/v1/settings", json={"name": "Shop"}, headers=proof)
            assert (answer.status_code < 400) == (status == 303), proof
