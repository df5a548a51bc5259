"""What guards the service: hosts, origins, sizes, headers."""

from __future__ import annotations

import socket
from collections.abc import Iterator

import pytest
from shopkit import LiveShop

from service.web.guard import MOST_BYTES, host_is_ours

WRITE = "/api/v1/places"


@pytest.mark.parametrize(
    "host",
    ["127.0.0.1", "127.0.0.1:8317", "localhost:8317", "[::1]:8317", "192.168.1.20:8317",
     "workshop", "workshop:80", "workshop.local", "Workshop.LOCAL:8317", "app.localhost",
     socket.gethostname()],
)  # fmt: skip
def test_hosts_that_can_only_mean_this_machine_are_served(host: str) -> None:
    assert host_is_ours(host)


@pytest.mark.parametrize(
    "host",
    ["", "example.com", "example.com:8317", "localhost.example.com", "127.0.0.1.example.com",
     "a@localhost.example.com", "[::1", "evil.com\\@localhost"],
)  # fmt: skip
def test_a_name_that_somebody_else_can_point_here_is_not_served(host: str) -> None:
    assert not host_is_ours(host)


def test_a_foreign_host_is_refused_whatever_it_asks(dry_shop: LiveShop) -> None:
    for method in ("GET", "POST"):
        answer = dry_shop.http.request(method, WRITE, headers={"host": "rebound.example.com"})
        assert answer.status_code == 421
        assert answer.headers["content-type"] == "application/problem+json"


FOREIGN = [
    {"origin": "http://evil.example"},
    {"origin": "null"},
    {"origin": "http://127.0.0.1:1"},
    {"sec-fetch-site": "cross-site"},
    {"sec-fetch-site": "same-site"},
    {"sec-fetch-site": "cross-site", "origin": "http://evil.example"},
]


@pytest.mark.parametrize("headers", FOREIGN)
def test_a_page_of_another_site_cannot_write(shop: LiveShop, headers: dict[str, str]) -> None:
    for path, body in ((WRITE, b'{"id": "x"}'), ("/places/new", b"id=x")):
        answer = shop.http.post(path, content=body, headers=headers)
        assert answer.status_code == 403
        assert answer.json()["errors"][0]["field"] == "origin"
    assert shop.http.delete("/api/v1/coats/1", headers=headers).status_code == 403
    assert shop.desk.places() == []


def test_our_own_pages_and_plain_programs_can_write(shop: LiveShop) -> None:
    own = {"origin": shop.url, "sec-fetch-site": "same-origin"}
    assert shop.http.post(WRITE, json={"id": "a"}, headers=own).status_code == 201
    assert shop.http.post(WRITE, json={"id": "b"}).status_code == 201


def test_a_json_body_has_to_say_that_it_is_json(shop: LiveShop) -> None:
    # A form of another site can send text/plain without asking first.
    answer = shop.http.post(WRITE, content=b'{"id": "x"}', headers={"content-type": "text/plain"})
    assert answer.status_code == 422
    assert shop.desk.places() == []


def test_bodies_over_a_megabyte_are_refused_announced_or_not(shop: LiveShop) -> None:
    big = b"x" * 10_000_000

    def streamed() -> Iterator[bytes]:
        for start in range(0, len(big), 65536):
            yield big[start : start + 65536]

    for path in (WRITE, "/places/new", "/instruments/1/coat"):
        kind = "application/json" if path == WRITE else "application/x-www-form-urlencoded"
        for content in (big, streamed()):
            answer = shop.http.post(path, content=content, headers={"content-type": kind})
            assert answer.status_code == 413, answer.text
            assert answer.headers["content-type"] == "application/problem+json"
            assert answer.json()["errors"][0]["field"] == "body"
    assert shop.http.get("/api/v1/places").status_code == 200
    just_fits = b'{"id": "booth"}' + b" " * (MOST_BYTES - 15)
    kept = shop.http.post(WRITE, content=just_fits, headers={"content-type": "application/json"})
    assert kept.status_code == 201


@pytest.mark.parametrize("path", ["/", "/about", "/api/v1/places", "/nothing", "/openapi.json"])
def test_every_answer_carries_the_security_headers(dry_shop: LiveShop, path: str) -> None:
    headers = dry_shop.http.get(path, headers={"accept": "text/html"}).headers
    policy = dict(
        part.strip().split(" ", 1) for part in headers["content-security-policy"].split(";")
    )
    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == policy["style-src"] == "'self'"
    assert policy["frame-ancestors"] == policy["base-uri"] == "'none'"
    assert "unsafe" not in headers["content-security-policy"]
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "same-origin"
    assert headers["cache-control"] == "no-store"


def test_assets_are_kept_for_good_by_their_stamp_and_rechecked_without(dry_shop: LiveShop) -> None:
    address = dry_shop.app.state.shop.dashboards.address("app.css")
    stamped = dry_shop.http.get(address)
    assert stamped.status_code == 200
    assert "immutable" in stamped.headers["cache-control"]
    plain = dry_shop.http.get("/assets/app.css")
    assert plain.headers["cache-control"] == "no-cache"
    assert dry_shop.http.get("/assets/../templates/base.html").status_code == 404
    assert dry_shop.http.get("/assets/%2e%2e/templates/base.html").status_code == 404
