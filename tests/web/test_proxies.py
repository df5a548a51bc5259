"""Behind a proxy: for whom it asks, what is told where it does not say, and https alone."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from signinkit import PASSWORD, GuardedShop, guarded_shop

from service.store.throttle import FREE
from service.web.guard import HTTPS_FOR_S
from service.web.signin.whence import UNSAID

NAME = {"host": "booth.example"}
"""As a proxy hands it on that answers for this name at its own port."""


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[GuardedShop]:
    with guarded_shop(tmp_path, public_url="https://booth.example") as made:
        yield made


@pytest.mark.parametrize(
    ("headers", "of_machine", "unsaid"),
    [
        ({}, True, False),
        ({"x-forwarded-for": "127.0.0.1", **NAME}, True, False),
        ({"x-forwarded-for": "192.168.1.50", **NAME}, False, False),
        (NAME, False, True),
        ({"host": "localhost"}, False, True),
        ({"via": "1.1 front"}, False, True),
        ({"x-forwarded-proto": "https"}, False, True),
        ({"x-real-ip": "192.168.1.50"}, False, True),
    ],
)
def test_only_the_machine_itself_is_the_machine(
    shop: GuardedShop, headers: dict[str, str], *, of_machine: bool, unsaid: bool
) -> None:
    for path in ("/health", "/api/v1/health", "/metrics"):
        answer = shop.http.get(path, headers={"accept": "application/json", **headers})
        assert answer.status_code == (200 if of_machine else 401), path
    assert shop.doors.unsaid == unsaid


def test_it_is_no_proxy_where_the_machine_goes_by_its_name(shop: GuardedShop) -> None:
    for name in ("localhost", "booth.local"):
        host = {"host": f"{name}:{shop.port}"}
        assert shop.http.get("/api/v1/health", headers=host).status_code == 200
    assert not shop.doors.unsaid


def test_all_who_come_through_a_silent_proxy_wait_together_and_nobody_else(
    shop: GuardedShop,
) -> None:
    owner = shop.owner()
    known = {"name": "Ada", "password": PASSWORD}

    def enter(**headers: str) -> int:
        browser = shop.browser(**headers)
        browser.headers["origin"] = f"https://{headers['host']}" if "host" in headers else shop.url
        return browser.post("/sign-in", data=known).status_code

    for _ in range(FREE + 1):
        wrong = {**known, "password": "a guess, no more"}
        away = shop.browser(**NAME)
        away.headers["origin"] = "https://booth.example"
        away.post("/sign-in", data=wrong)
    assert enter(**NAME) == 429
    assert enter() == 303  # on the machine
    assert enter(**NAME, **{"x-forwarded-for": "192.168.1.50"}) == 303
    trail = owner.get("/settings/trail").text
    assert f", {UNSAID}</span>" in trail


@pytest.mark.parametrize(
    ("proto", "kept"), [("https", f"max-age={HTTPS_FOR_S}"), ("http", None), (None, None)]
)
def test_who_came_by_https_is_to_come_by_it_again(
    shop: GuardedShop, proto: str | None, kept: str | None
) -> None:
    said = {"x-forwarded-proto": proto} if proto else {}
    for path in ("/sign-in", "/nowhere", "/sw.js", "/api/v1/places"):
        answer = httpx.get(shop.url + path, headers={"x-forwarded-for": "192.168.1.50", **said})
        assert answer.headers.get("strict-transport-security") == kept, path
