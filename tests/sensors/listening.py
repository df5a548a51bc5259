"""A plain MQTT subscriber that is not the service."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import UTC, datetime
from typing import NamedTuple

import paho.mqtt.client as mqtt
from equipment import Mosquitto
from paho.mqtt.enums import CallbackAPIVersion


class Heard(NamedTuple):
    """One message and when it arrived, by the clock the listener was given."""

    topic: str
    payload: bytes
    at: datetime


class Listener:
    """Subscribes to all below ``boothglass/`` with a session that the broker keeps."""

    def __init__(
        self, broker: Mosquitto, now: Callable[[], datetime] = lambda: datetime.now(UTC)
    ) -> None:
        self.got: list[Heard] = []
        subscribed = threading.Event()
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id="listener", clean_session=False
        )
        self._client.username_pw_set(broker.address.user or "", broker.address.password)
        self._client.reconnect_delay_set(1, 1)
        self._client.on_connect = lambda client, *_: client.subscribe("boothglass/#", qos=1)
        self._client.on_subscribe = lambda *_: subscribed.set()
        self._client.on_message = lambda _c, _u, m: self.got.append(
            Heard(m.topic, m.payload, now())
        )
        self._client.connect("127.0.0.1", broker.port)
        self._client.loop_start()
        assert subscribed.wait(10)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()
