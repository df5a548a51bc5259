"""The MQTT client of the intake: nothing is acknowledged before it is committed.

Messages of the subscription wait in memory, unacknowledged, for a committing thread that takes
them in batches: decode, check, one commit, then an acknowledgement for each. If the commit fails,
none is acknowledged and the same batch is tried again; if the process dies, the broker still has
every one of them, because the session outlives the connection.
"""

from __future__ import annotations

import logging
import queue
import random
import secrets
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from sensors.payloads import OWN_PLACES, TOPIC_FILTER, PayloadError, decode
from service.clock import Clock
from service.intake.check import checked
from service.settings import MqttAddress
from service.store import readings, rejects
from service.store.db import Database
from service.store.readings import NewReading, Recorded
from service.store.tables import Reject

__all__ = ["Counters", "Intake"]

BATCH_MOST = 500
BATCH_WAIT_S = 0.05
"""A lone reading waits this long for company."""

INFLIGHT_MOST = 2000
"""Unacknowledged messages we let the broker send ahead; bounds our memory."""

RETRY_FIRST_S, RETRY_MOST_S = 0.2, 10.0

log = logging.getLogger(__name__)


@dataclass
class Counters:
    """What the intake has done since it started."""

    received: int = 0
    recorded: int = 0
    duplicates: int = 0
    rejected: int = 0
    reconnects: int = 0
    worker_restarts: int = 0


@dataclass(frozen=True)
class _Arrival:
    message: mqtt.MQTTMessage
    received_at: datetime
    connection: int


class Intake:
    """Subscribes to every place and sensor and keeps what comes.

    Parameters
    ----------
    address : MqttAddress
        The broker.
    db, clock : Database, Clock
        Where readings go; what they are checked against.
    data_folder : Path
        Keeps the client id, which the broker knows the session by.
    on_recorded : callable
        Told after each commit that brought something new. Called from the committing thread.
    """

    def __init__(
        self,
        address: MqttAddress,
        db: Database,
        clock: Clock,
        data_folder: Path,
        *,
        on_recorded: Callable[[Recorded], None],
    ) -> None:
        self.counters = Counters()
        self._address, self._db, self._clock = address, db, clock
        self._on_recorded = on_recorded
        self._arrivals: queue.Queue[_Arrival] = queue.Queue()
        self._stopping = threading.Event()
        self._connected = threading.Event()
        self._commit_error: str | None = None
        self._connect_error: str | None = "not connected yet"
        self._last_commit_at: datetime | None = None
        self._connection = 0
        self._worker = threading.Thread(target=self._supervise, name="intake", daemon=True)
        self._client = self._make_client(_client_id(data_folder))

    # -- life ------------------------------------------------------------------------------

    def start(self) -> None:
        """Connect in the background and begin; an absent broker is retried for ever."""
        self._worker.start()
        self._client.connect_async(self._address.host, self._address.port, keepalive=30)
        self._client.loop_start()

    def stop(self) -> None:
        """Finish the batch under way and disconnect; what is unacknowledged stays at the broker."""
        self._stopping.set()
        self._worker.join(timeout=15)
        self._client.disconnect()
        self._client.loop_stop()

    def wait_connected(self, timeout_s: float) -> bool:
        """Wait until the subscription stands."""
        return self._connected.wait(timeout_s)

    def health(self) -> dict[str, Any]:
        """Counters, and under ``problems`` why readings may not be arriving."""
        problems = []
        if not self._connected.is_set():
            problems.append(f"no connection to the broker: {self._connect_error}")
        if self._commit_error is not None:
            problems.append(f"readings cannot be kept: {self._commit_error}")
        return {
            "connected": self._connected.is_set(),
            "waiting": self._arrivals.qsize(),
            "last_commit_at": self._last_commit_at,
            **vars(self.counters),
            "problems": problems,
        }

    # -- the connection's side -------------------------------------------------------------

    def _make_client(self, client_id: str) -> mqtt.Client:
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=client_id,
            clean_session=False,
            protocol=mqtt.MQTTv311,
            manual_ack=True,
        )
        if self._address.user is not None:
            client.username_pw_set(self._address.user, self._address.password)
        if self._address.tls:
            client.tls_set()
        client.max_inflight_messages_set(INFLIGHT_MOST)
        # Jitter keeps many shops from storming a broker that comes back.
        client.reconnect_delay_set(min_delay=1, max_delay=15 + random.randrange(10))  # noqa: S311
        client.on_connect = self._on_connect
        client.on_connect_fail = self._on_connect_fail
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        return client

    def _on_connect(
        self, client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any
    ) -> None:
        if reason.is_failure:
            self._connect_error = str(reason)
            return
        self._connection += 1
        self.counters.reconnects = self._connection - 1
        client.subscribe(TOPIC_FILTER, qos=1)

    def _on_connect_fail(self, _client: mqtt.Client, _data: Any) -> None:
        self._connect_error = f"{self._address!r} does not answer"

    def _on_subscribe(
        self, _client: mqtt.Client, _data: Any, _mid: int, reasons: Sequence[Any], _properties: Any
    ) -> None:
        if any(reason.is_failure for reason in reasons):
            self._connect_error = f"the broker refuses the subscription {TOPIC_FILTER}"
            return
        self._connect_error = None
        self._connected.set()

    def _on_disconnect(
        self, _client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any
    ) -> None:
        self._connected.clear()
        self._connect_error = f"connection lost ({reason})"

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        if message.topic.split("/")[1] in OWN_PLACES:
            self._client.ack(message.mid, message.qos)
            return
        self.counters.received += 1
        self._arrivals.put(_Arrival(message, self._clock.now(), self._connection))

    # -- the committing side ---------------------------------------------------------------

    def _supervise(self) -> None:
        """Keep the committing loop alive: an error nobody foresaw costs a restart, not readings."""
        while not self._stopping.is_set():
            try:
                self._commit_loop()
            except Exception as error:
                self.counters.worker_restarts += 1
                self._commit_error = f"{type(error).__name__}: {error}"
                log.exception("intake worker restarts")
                self._stopping.wait(RETRY_FIRST_S)

    def _commit_loop(self) -> None:
        while not self._stopping.is_set():
            batch = self._next_batch()
            if batch and self._commit_until_done(batch):
                self._acknowledge(batch)

    def _acknowledge(self, batch: Sequence[_Arrival]) -> None:
        for arrival in batch:
            # After a reconnect the same number may name another message; the broker sends the
            # old one again, and it is found to be kept.
            if arrival.connection == self._connection:
                self._client.ack(arrival.message.mid, arrival.message.qos)

    def _next_batch(self) -> list[_Arrival]:
        try:
            batch = [self._arrivals.get(timeout=0.2)]
        except queue.Empty:
            return []
        deadline = time.monotonic() + BATCH_WAIT_S
        while len(batch) < BATCH_MOST:
            left = deadline - time.monotonic()
            try:
                batch.append(self._arrivals.get(timeout=max(0.0, left)))
            except queue.Empty:
                break
        return batch

    def _commit_until_done(self, batch: Sequence[_Arrival]) -> bool:
        """Commit, again and again if need be; False only when stopping."""
        good, bad = self._sorted_out(batch)
        delay_s = RETRY_FIRST_S
        while not self._stopping.is_set():
            try:
                recorded = self._commit(good, bad)
            except Exception as error:  # noqa: BLE001 -- full disk, lock, lost server: shown and retried
                self._commit_error = f"{type(error).__name__}: {error}"
                log.warning("commit failed, retrying in %.1f s: %s", delay_s, error)
                self._stopping.wait(delay_s)
                delay_s = min(2 * delay_s, RETRY_MOST_S)
                continue
            self._commit_error = None
            self._last_commit_at = self._clock.now()
            self.counters.recorded += recorded.new
            self.counters.duplicates += recorded.duplicates
            self.counters.rejected += len(bad)
            if recorded.new:
                self._on_recorded(recorded)
            return True
        return False

    def _commit(self, good: Sequence[NewReading], bad: Sequence[Reject]) -> Recorded:
        with self._db.write() as session:
            recorded = readings.record_batch(session, good)
            for reject in bad:
                # A fresh row for each try: a failed commit leaves the old one unusable.
                rejects.keep(session, Reject(**reject.model_dump(exclude={"id"})))
        return recorded

    def _sorted_out(self, batch: Sequence[_Arrival]) -> tuple[list[NewReading], list[Reject]]:
        good: list[NewReading] = []
        bad: list[Reject] = []
        for arrival in batch:
            message = arrival.message
            try:
                reports = decode(message.topic, bytes(message.payload), arrival.received_at)
                good += [checked(report, now=arrival.received_at) for report in reports]
            except PayloadError as error:
                bad.append(
                    Reject(
                        received_at=arrival.received_at,
                        topic=message.topic,
                        size_bytes=len(message.payload),
                        payload=bytes(message.payload[: rejects.KEPT_BYTES]),
                        field=error.field,
                        reason=error.reason,
                    )
                )
        return good, bad


def _client_id(data_folder: Path) -> str:
    """Return the kept client id; without the same id the broker would forget our session."""
    kept = data_folder / "mqtt-client-id"
    if not kept.exists():
        kept.write_text(f"boothglass-{secrets.token_hex(6)}")
    return kept.read_text().strip()
