"""Listening to everything a broker carries, for a while: to find sensors that nothing reads yet.

A client of its own, with nothing kept: a few samples of each topic, in memory, forgotten after half
an hour.
"""

from __future__ import annotations

import logging
import secrets
import threading
import time
from collections import OrderedDict, deque
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from sensors.payloads import TOPIC_ROOT
from sensors.proposal import Heard, ListenError, Overheard
from service.clock import Clock
from service.settings import MqttAddress

__all__ = ["LONGEST_S", "Listener"]

LONGEST_S = 600
TOPICS_MOST = 300
SAMPLES_MOST = 3
SAMPLE_BYTES = 2048
TOPIC_LONGEST = 256
BEYOND_MOST = 10_000
"""Further topics are told apart up to here, and only counted."""

ANSWER_WAIT_S = 5.0
FORGET_AFTER_S = 1800.0

log = logging.getLogger(__name__)


class _Ear:
    """What one round of listening has heard, within bounds."""

    def __init__(self, known: Callable[[str], bool]) -> None:
        self._known = known
        self._lock = threading.Lock()
        self._topics: OrderedDict[str, tuple[int, deque[bytes], datetime]] = OrderedDict()
        self._beyond: set[str] = set()

    def hear(self, topic: str, payload: bytes, at: datetime) -> None:
        if topic.startswith((f"{TOPIC_ROOT}/", "$")) or len(topic) > TOPIC_LONGEST:
            return
        with self._lock:
            count, samples, _ = self._topics.get(topic, (0, deque[bytes](maxlen=SAMPLES_MOST), at))
            if count == 0 and not self._has_room(topic):
                return
            if payload.strip() and len(payload) <= SAMPLE_BYTES:
                samples.append(payload)
            self._topics[topic] = (count + 1, samples, at)

    def heard(self) -> tuple[tuple[Heard, ...], int]:
        with self._lock:
            topics = tuple(
                Heard(topic, count, tuple(samples), at)
                for topic, (count, samples, at) in sorted(self._topics.items())
            )
            return topics, len(self._beyond)

    def _has_room(self, topic: str) -> bool:
        if topic in self._beyond or self._known(topic):
            return False
        if len(self._topics) < TOPICS_MOST:
            return True
        if len(self._beyond) < BEYOND_MOST:
            self._beyond.add(topic)
        return False


class Listener:
    """Listens when asked to; one round at a time.

    Parameters
    ----------
    address : MqttAddress
        The broker. The user must be allowed to read what is to be found.
    on_change : callable
        Told about once a second while listening, and at the end.
    mqtt5 : bool
        Ask for MQTT 5 first; else for 3.1.1.
    root : str
        What all topics of the shop begin with; nothing else is listened to.
    """

    def __init__(
        self,
        address: MqttAddress,
        clock: Clock,
        *,
        on_change: Callable[[], None] = lambda: None,
        mqtt5: bool = True,
        root: str = "",
    ) -> None:
        self._address, self._clock = address, clock
        self.on_change = on_change
        self._root = root
        self._protocols = [mqtt.MQTTv5, mqtt.MQTTv311] if mqtt5 else [mqtt.MQTTv311]
        self._lock = threading.Lock()
        self._ended = threading.Event()
        self._thread: threading.Thread | None = None
        self._state = Overheard()
        self._until = self._forget_at = 0.0
        self._ear = _Ear(lambda _topic: True)

    def start(self, seconds: int, known: Callable[[str], bool]) -> None:
        """Begin to listen.

        Parameters
        ----------
        seconds : int
            For how long, 1 to 600.
        known : callable
            Whether a topic is read already; such topics are left out.

        Raises
        ------
        ListenError
            Where a round is under way, or the time is out of range.
        """
        if not 1 <= seconds <= LONGEST_S:
            raise ListenError(f"seconds: {seconds} is outside 1 to {LONGEST_S}")
        with self._lock:
            if self._thread is not None and self._thread.is_alive():
                raise ListenError("seconds: a round of listening is under way")
            self._ear = _Ear(known)
            self._ended.clear()
            self._until = time.monotonic() + seconds
            self._state = Overheard("listening", seconds)
            self._thread = threading.Thread(target=self._run, name="listening", daemon=True)
            self._thread.start()

    def overheard(self) -> Overheard:
        """Say how far it has come, and what was heard."""
        with self._lock:
            state = self._state
            if state.state in {"done", "failed"} and time.monotonic() > self._forget_at:
                self._state = state = Overheard()
                self._ear = _Ear(lambda _topic: True)
            topics, beyond = self._ear.heard()
            left_s = max(0.0, self._until - time.monotonic()) if state.state == "listening" else 0.0
            return replace(state, left_s=left_s, topics=topics, beyond=beyond)

    def stop(self) -> None:
        """End the round that is under way."""
        self._ended.set()
        if self._thread is not None:
            self._thread.join(timeout=10)

    # -- one round -------------------------------------------------------------------------

    def _run(self) -> None:
        problem: str | None = None
        try:
            for protocol in self._protocols:
                answered, problem = self._one_connection(protocol)
                if answered:
                    break
        except OSError as error:
            problem = f"{self._address!r} does not answer: {error}"
        except Exception as error:
            problem = f"{type(error).__name__}: {error}"
            log.exception("listening failed")
        with self._lock:
            wanted_s = self._state.wanted_s
            self._state = (
                Overheard("done", wanted_s)
                if problem is None
                else Overheard("failed", wanted_s, problem=problem)
            )
            self._forget_at = time.monotonic() + FORGET_AFTER_S
        self.on_change()

    def _one_connection(self, protocol: MQTTProtocolVersion) -> tuple[bool, str | None]:
        """Listen over one connection; False where the broker may want another protocol."""
        visit = _Visit(self._address, protocol, f"{self._root}#", self._hear)
        try:
            visit.begin()
            if not visit.subscribed.wait(ANSWER_WAIT_S):
                problem = visit.problem or f"{self._address!r} does not say whether we may come in"
                return visit.refused_for_good, problem
            self._until = time.monotonic() + self._state.wanted_s  # coming in may take a while
            while not self._ended.wait(max(0.0, min(1.0, self._until - time.monotonic()))):
                if time.monotonic() >= self._until or visit.problem is not None:
                    break
                self.on_change()
            return True, visit.problem
        finally:
            visit.end()

    def _hear(self, topic: str, payload: bytes) -> None:
        self._ear.hear(topic.removeprefix(self._root), payload, self._clock.now())


class _Visit:
    """One clean session that is subscribed to everything."""

    def __init__(
        self,
        address: MqttAddress,
        protocol: MQTTProtocolVersion,
        topics: str,
        hear: Callable[[str, bytes], None],
    ) -> None:
        self.subscribed = threading.Event()
        self.problem: str | None = None
        self.refused_for_good = False
        self._address, self._topics, self._hear = address, topics, hear
        self._client = client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"boothglass-ear-{secrets.token_hex(4)}",
            clean_session=None if protocol == mqtt.MQTTv5 else True,
            protocol=protocol,
            reconnect_on_failure=False,
        )
        if address.user is not None:
            client.username_pw_set(address.user, address.password)
        if address.tls:
            client.tls_set(address.ca)
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        client.on_disconnect = self._on_disconnect

    def begin(self) -> None:
        """Connect."""
        self._client.connect(self._address.host, self._address.port, keepalive=30)
        self._client.loop_start()

    def end(self) -> None:
        """Leave."""
        self._client.disconnect()
        self._client.loop_stop()

    def _on_connect(
        self,
        client: mqtt.Client,
        _data: Any,
        _flags: mqtt.ConnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        if reason.is_failure:
            self.problem = f"{self._address!r} refuses: {reason}"
            self.refused_for_good = "protocol" not in str(reason).lower()
            if self.refused_for_good:
                self.subscribed.set()
            return
        client.subscribe(self._topics, qos=0)

    def _on_subscribe(
        self,
        _client: mqtt.Client,
        _data: Any,
        _mid: int,
        reasons: list[ReasonCode],
        _properties: Properties | None,
    ) -> None:
        if any(reason.is_failure for reason in reasons):
            self.problem = (
                f"{self._address!r} does not let us listen to everything ({self._topics})"
            )
        self.subscribed.set()

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            return
        self._hear(topic, bytes(message.payload[: SAMPLE_BYTES + 1]))

    def _on_disconnect(
        self,
        _client: mqtt.Client,
        _data: Any,
        _flags: mqtt.DisconnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        if reason.is_failure and self.problem is None:
            self.problem = f"connection to {self._address!r} lost: {reason}"
