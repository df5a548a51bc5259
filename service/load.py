"""Plays many shops with many sensors at a running installation, and measures what comes of it.

Every sensor sends as a real one does, at QoS 1, spread evenly over its interval. In some of the
shops a page is open: a listener of the live stream that asks for the spray check again when it
hears that the air has changed. From a reading's publish to that answer is what a person waits.
"""

from __future__ import annotations

import json
import random
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from typing import Any
from urllib.parse import urlsplit

import numpy as np
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from sensors.payloads import encode, shop_root
from service.settings import MqttAddress

__all__ = ["Figures", "Load", "LoadError", "play"]

UNDER_WAY = 1000
A_MOMENT = timedelta(milliseconds=1)
ANSWER_S = 60.0
"""A probe that is not answered for so long counts as not answered."""

PROBE_EVERY_S = 1.0
LAST_S = 120.0
"""How long the last readings may take to be acknowledged."""

PLACE, MATERIAL = "probe", "nitro-lacquer-gun"


class LoadError(RuntimeError):
    """The installation cannot be played at; the message says why."""


@dataclass(frozen=True)
class Load:
    """What is played.

    ``words`` are the shops' words; one empty word where there is a single shop. ``every_s`` is the
    seconds between two readings of a sensor; 0: as fast as the broker takes them, ``seconds`` long.
    """

    words: Sequence[str]
    sensors: int
    every_s: float
    seconds: float
    watched: int = 3
    """Shops with an open page."""


@dataclass
class Figures:
    """What was measured; latencies in seconds from publish to the changed check."""

    shops: int
    sensors: int
    sent: int = 0
    acknowledged: int = 0
    seconds: float = 0.0
    latencies_s: tuple[float, ...] = ()
    unanswered: int = 0

    @property
    def per_s(self) -> float:
        """Readings a second that the broker acknowledged."""
        return self.acknowledged / self.seconds if self.seconds else 0.0

    def quantile_s(self, q: float) -> float | None:
        """Return a quantile of the latencies; None where none was answered."""
        return float(np.quantile(self.latencies_s, q)) if self.latencies_s else None

    def as_data(self) -> dict[str, Any]:
        """Return them ready for JSON."""
        found = asdict(self)
        del found["latencies_s"]
        return found | {
            "per_s": self.per_s,
            "answered": len(self.latencies_s),
            "latency_median_s": self.quantile_s(0.5),
            "latency_p95_s": self.quantile_s(0.95),
            "latency_most_s": self.quantile_s(1.0),
        }


def play(
    load: Load,
    broker: MqttAddress,
    pages: str,
    *,
    token: str | None = None,
    domain: str | None = None,
    tell: Callable[[float], None] = lambda _part: None,
) -> Figures:
    """Play it, to the end.

    Parameters
    ----------
    pages : str
        Address at which the installation answers, like ``http://127.0.0.1:8317``.
    token : str, optional
        API token, where people have to sign in; it has to be good for every watched shop.
    domain : str, optional
        What a shop's word is put before, where there are many.
    tell : callable
        Told now and then which part of the time is over.

    Raises
    ------
    LoadError
        Where broker or pages do not answer.
    """
    figures = Figures(len(load.words), load.sensors)
    sender = _Sender(broker)
    pick = random.Random(7).sample(  # noqa: S311 -- no secret
        list(load.words), min(load.watched, len(load.words))
    )
    watched = [_Page(pages, word, domain, token, sender) for word in pick]
    try:
        for page in watched:
            page.open()
        began = time.monotonic()
        probing = threading.Thread(
            target=_probe, args=(watched, began + load.seconds), name="probe", daemon=True
        )
        probing.start()
        _send(load, sender, began, tell)
        figures.sent = sender.sent
        if not sender.wait(LAST_S):
            raise LoadError(f"the broker has acknowledged {sender.acknowledged} of {sender.sent}")
        figures.acknowledged = sender.acknowledged
        figures.seconds = time.monotonic() - began
        probing.join(ANSWER_S + 2 * PROBE_EVERY_S)
        figures.latencies_s = tuple(took for page in watched for took in page.took)
        figures.unanswered = sum(page.unanswered for page in watched)
    finally:
        for page in watched:
            page.close()
        sender.close()
    return figures


def _send(load: Load, sender: _Sender, began: float, tell: Callable[[float], None]) -> None:
    topics = [
        f"{shop_root(word)}boothglass/booth/s{n}"
        for n in range(load.sensors)
        for word in load.words
    ]
    rnd, sent, told_at = random.Random(3), 0, began  # noqa: S311 -- no secret
    while (now := time.monotonic()) < began + load.seconds:
        if load.every_s:
            due = began + sent * load.every_s / len(topics)
            if due > now:
                time.sleep(min(due - now, 0.2))
                continue
        air, rh = 21.0 + rnd.gauss(0.0, 0.02), 48.0 + rnd.gauss(0.0, 0.1)
        sender.send(topics[sent % len(topics)], air, rh)
        sent += 1
        if now > told_at + 1.0:
            told_at = now
            tell((now - began) / load.seconds)


def _probe(watched: Sequence[_Page], until: float) -> None:
    turn = 0
    while watched and time.monotonic() < until:
        page = watched[turn % len(watched)]
        page.probe(turn)
        turn += 1
        time.sleep(PROBE_EVERY_S)


class _Sender:
    """Publishes at QoS 1 and counts what the broker has acknowledged."""

    def __init__(self, broker: MqttAddress) -> None:
        self.sent = self.acknowledged = 0
        self._last: dict[str, datetime] = {}
        self._lock = threading.Condition()
        self._client = client = mqtt.Client(CallbackAPIVersion.VERSION2)
        if broker.user is not None:
            client.username_pw_set(broker.user, broker.password)
        if broker.tls:
            client.tls_set(broker.ca)
        client.max_inflight_messages_set(UNDER_WAY)
        client.on_publish = self._on_publish
        try:
            client.connect(broker.host, broker.port)
        except OSError as error:
            raise LoadError(f"{broker!r} does not answer: {error}") from error
        client.loop_start()

    def send(self, topic: str, air_c: float, rh_pct: float) -> datetime:
        """Publish one reading of now, waiting while too many are under way; return its instant."""
        with self._lock:
            self._lock.wait_for(lambda: self.sent - self.acknowledged < UNDER_WAY, LAST_S)
            self.sent += 1
        at = datetime.now(UTC)
        at = at.replace(microsecond=at.microsecond // 1000 * 1000)
        # Two readings of one sensor at one instant would be one.
        at = max(at, self._last.get(topic, at - A_MOMENT) + A_MOMENT)
        self._last[topic] = at
        self._client.publish(topic, encode(at=at, air_c=air_c, rh_pct=rh_pct), qos=1)
        return at

    def wait(self, seconds: float) -> bool:
        """Wait until everything is acknowledged."""
        with self._lock:
            return self._lock.wait_for(lambda: self.acknowledged >= self.sent, seconds)

    def close(self) -> None:
        """Hang up."""
        self._client.disconnect()
        self._client.loop_stop()

    def _on_publish(self, *_: Any) -> None:
        with self._lock:
            self.acknowledged += 1
            self._lock.notify_all()


class _Page:
    """An open page of one shop."""

    def __init__(
        self, pages: str, word: str, domain: str | None, token: str | None, sender: _Sender
    ) -> None:
        self.took: list[float] = []
        self.unanswered = 0
        self._pages, self._sender = pages.rstrip("/"), sender
        self._topic = f"{shop_root(word)}boothglass/{PLACE}/wall"
        self._headers = {} if token is None else {"Authorization": f"Bearer {token}"}
        if domain is not None:
            port = urlsplit(pages).port
            self._headers["Host"] = f"{word}.{domain}" + (f":{port}" if port else "")
        self._heard = threading.Condition()
        self._as_of = datetime.min.replace(tzinfo=UTC)
        self._closing = False
        self._stream: Any = None
        self._thread = threading.Thread(target=self._listen, name="page", daemon=True)

    def open(self) -> None:
        """Begin to listen, and see that a reading is answered at all."""
        try:
            self._stream = self._get("events")
        except OSError as error:
            raise LoadError(f"{self._pages} does not answer: {error}") from error
        self._thread.start()
        self._sender.send(self._topic, 21.0, 48.0)  # so that there is such a place

    def probe(self, turn: int) -> None:
        """Send a reading and wait for the answer that rests on it."""
        began = time.monotonic()
        at = self._sender.send(self._topic, 21.0 + 0.01 * (turn % 5), 48.0 + 0.1 * (turn % 7))
        with self._heard:
            if self._heard.wait_for(lambda: self._as_of >= at, ANSWER_S):
                self.took.append(time.monotonic() - began)
            else:
                self.unanswered += 1

    def close(self) -> None:
        """Leave; the thread ends with the connection."""
        self._closing = True

    def _get(self, path: str) -> Any:
        request = urllib.request.Request(f"{self._pages}/api/v1/{path}", headers=self._headers)  # noqa: S310 -- the operator's own address
        return urllib.request.urlopen(request, timeout=ANSWER_S)  # noqa: S310

    def _listen(self) -> None:
        name = b""
        try:
            for line in self._stream:
                if self._closing:
                    return
                if line.startswith(b"event:"):
                    name = line[6:].strip()
                elif line.startswith(b"data:") and name == b"air" and PLACE.encode() in line:
                    self._ask()
        except (OSError, ValueError):
            return  # probes are counted as unanswered from here on

    def _ask(self) -> None:
        try:
            with self._get(f"places/{PLACE}/spray-check?material={MATERIAL}") as answer:
                as_of = json.load(answer).get("as_of")
        except urllib.error.HTTPError:
            return
        with self._heard:
            if as_of is not None:
                self._as_of = max(self._as_of, datetime.fromisoformat(as_of))
            self._heard.notify_all()
