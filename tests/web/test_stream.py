"""The live stream over HTTP, read by a plain client."""

from __future__ import annotations

import json
import socket
import threading
import time
from collections.abc import Iterator

import httpx
from shopkit import LiveShop

from service.web.api import stream
from service.web.live import MOST_LISTENERS


def events(answer: httpx.Response) -> Iterator[tuple[str, dict[str, object]]]:
    """Take the stream apart by the rules of the HTML standard (section 9.2, server-sent events)."""
    name, data = "", ""
    for line in answer.iter_lines():
        if not line:
            if data:
                yield name, json.loads(data)
            name, data = "", ""
        elif line.startswith("event:"):
            name = line[6:].strip()
        elif line.startswith("data:"):
            data += line[5:].strip()


def wait_for(condition: object, seconds: float = 5.0) -> None:
    deadline = time.monotonic() + seconds
    while not condition():  # type: ignore[operator]
        assert time.monotonic() < deadline, "did not come true in time"
        time.sleep(0.02)


def test_a_beat_comes_at_once_and_a_reading_and_a_coat_are_told(shop: LiveShop) -> None:
    with shop.http.stream("GET", "/api/v1/events") as answer:
        assert answer.headers["content-type"].startswith("text/event-stream")
        assert answer.headers["cache-control"] == "no-store"
        told = events(answer)
        name, data = next(told)
        assert name == "beat"
        assert data["rate"] == 1.0
        assert str(data["now"]).endswith("Z")
        shop.read(22.0, 40.0)
        assert next(told) == ("air", {"place": "booth"})
        piece = shop.add_piece()
        shop.http.post(f"/api/v1/instruments/{piece}/coats", json={})
        assert next(told) == ("work", {"instrument": piece})


def test_beats_go_on_while_nothing_happens(shop: LiveShop, monkeypatch: object) -> None:
    monkeypatch.setattr(stream, "BEAT_S", 0.05)  # type: ignore[attr-defined]
    with shop.http.stream("GET", "/api/v1/events") as answer:
        told = events(answer)
        assert [next(told)[0] for _ in range(4)] == ["beat"] * 4


def test_a_page_that_goes_away_is_forgotten(shop: LiveShop) -> None:
    with shop.http.stream("GET", "/api/v1/events") as answer:
        told = events(answer)
        next(told)
        assert shop.hub.listeners == 1
    wait_for(lambda: shop.hub.listeners == 0)


def test_a_page_that_never_reads_holds_nobody_up(shop: LiveShop) -> None:
    deaf = socket.create_connection(("127.0.0.1", shop.port))
    deaf.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    deaf.sendall(b"GET /api/v1/events HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n")
    wait_for(lambda: shop.hub.listeners == 1)
    started = time.monotonic()
    for _ in range(2000):
        shop.hub.publish("air", {"place": "x" * 2000})
    assert time.monotonic() - started < 2.0  # publishing never waits for a reader
    wait_for(lambda: shop.hub.listeners == 0, 10)  # fell behind: dropped
    assert shop.http.get("/api/v1/places").status_code == 200
    deaf.close()


def test_no_more_pages_than_there_is_room_for(shop: LiveShop, monkeypatch: object) -> None:
    monkeypatch.setattr("service.web.live.MOST_LISTENERS", 1)  # type: ignore[attr-defined]
    assert MOST_LISTENERS > 1
    with shop.http.stream("GET", "/api/v1/events") as answer:
        told = events(answer)
        next(told)
        refused = shop.http.get("/api/v1/events")
    assert refused.status_code == 503
    assert refused.headers["content-type"] == "application/problem+json"
    assert refused.headers["retry-after"] == "30"


def test_closing_the_hub_ends_open_streams(shop: LiveShop) -> None:
    with shop.http.stream("GET", "/api/v1/events") as answer:
        told = events(answer)
        next(told)
        threading.Timer(0.1, shop.hub.close).start()
        assert list(told) == []
