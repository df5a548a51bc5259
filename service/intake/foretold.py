"""Forecasts of the air outdoors from MQTT: ``boothglass/$forecast``, the same JSON as over HTTP.

A client of its own, apart from the readings. A publisher best keeps the message retained, so that
a service that was off gets the newest issue when it comes back; an issue that came twice is kept
once.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import Any

import paho.mqtt.client as mqtt
from pydantic import ValidationError

from service.background_client import make_client, start_client, stop_client
from service.clock import Clock
from service.settings import MqttAddress
from service.store import forecasts, rejects
from service.store.db import Database
from service.store.errors import BadInput
from service.store.forecasts import NewForecast
from service.store.tables import Reject

__all__ = ["TOPIC", "ForecastListener", "Foretold"]

TOPIC = "boothglass/$forecast"
LARGEST_BYTES = 65_536

log = logging.getLogger(__name__)


class Foretold:
    """Keeps what one shop is foretold; what cannot be used is kept among the rejects."""

    def __init__(self, db: Database, clock: Clock) -> None:
        self._db, self._clock = db, clock
        self.kept = 0

    def take(self, payload: bytes) -> int:
        """Keep one message; returns how many of its hours were new, 0 where it was refused."""
        if len(payload) > LARGEST_BYTES:
            self._refuse(payload, "payload", f"{len(payload)} bytes; {LARGEST_BYTES} at most")
            return 0
        try:
            given = NewForecast.model_validate_json(payload)
            with self._db.write() as session:
                new = forecasts.keep(session, given, self._clock.now())
        except ValidationError as error:
            first = error.errors()[0]
            self._refuse(payload, ".".join(map(str, first["loc"])) or "payload", first["msg"])
        except BadInput as error:
            self._refuse(payload, error.field, error.reason)
        else:
            self.kept += new
            return new
        return 0

    def _refuse(self, payload: bytes, field: str, reason: str) -> None:
        with self._db.write() as session:
            rejects.keep(
                session,
                Reject(
                    received_at=self._clock.now(),
                    topic=TOPIC,
                    size_bytes=len(payload),
                    payload=payload,
                    field=field,
                    reason=reason,
                ),
            )


class ForecastListener:
    """Hears every forecast that is published.

    Parameters
    ----------
    topic : str
        What to subscribe to.
    of : callable
        Returns whose forecast it is, by its topic; None: nobody's here.
    """

    def __init__(
        self, address: MqttAddress, topic: str, of: Callable[[str], Foretold | None]
    ) -> None:
        self._address, self._topic, self._of = address, topic, of
        self._client = make_client(address)
        self._client.on_connect = self._on_connect
        self._client.on_message = self._on_message

    def start(self) -> None:
        """Connect in the background; an absent broker is retried for ever."""
        start_client(self._client, self._address)

    def hear_again(self) -> None:
        """Have the broker send what is retained once more: it may be for somebody here now."""
        self._on_connect(self._client)

    def stop(self) -> None:
        """Disconnect."""
        stop_client(self._client)

    def _on_connect(self, client: mqtt.Client, *_: Any) -> None:
        client.subscribe(self._topic, qos=1)

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        # An error here would end paho's thread without a word; the next issue comes soon enough.
        try:
            shop = self._of(message.topic)
            if shop is not None:
                shop.take(bytes(message.payload))
        except Exception:
            log.exception("a forecast could not be kept")
