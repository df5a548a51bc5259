"""A shop to break: sensors, a Mosquitto, the intake in a process of its own; and books kept."""

from __future__ import annotations

import contextlib
import json
import math
import os
import random
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import databases
import paho.mqtt.client as mqtt
from equipment import PASSWORD, USER, Mosquitto, eventually
from paho.mqtt.enums import CallbackAPIVersion

from service.store.db import Database
from service.store.rebuilding import rebuild

TOPICS = ("boothglass/booth/wall", "boothglass/booth/door", "boothglass/rack/beam")
EVERY_S = 30
BLOCK = 60

LONG_S = 180.0
"""Longer than anything here takes, however busy the machine."""

Key = tuple[str, int]
"""Topic and instant in ms since 1970: what a reading is known by."""

BROKER = ("autosave_interval 1",)
"""Mosquitto writes down what it has taken once a second; by default it does so every half hour."""


@dataclass(frozen=True)
class Outcome:
    """What became of the readings after a fault."""

    sent: int
    acknowledged: int
    lost: int
    """Acknowledged by the service, and neither among the readings nor among what was set aside."""
    twice: int
    set_aside: int
    broker_lost: int
    """Taken by the broker, and never handed on by it."""
    equal: bool
    """Whether flags and roll-ups are those of a rebuild, to the digit."""
    whole_after_s: float

    @property
    def good(self) -> bool:
        return self.lost == 0 and self.twice == 0 and self.equal


def lasting_client(broker: Mosquitto, client_id: str) -> mqtt.Client:
    """Make a client whose session outlives its connections; it connects when it is started."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=client_id, clean_session=False)
    client.username_pw_set(USER, PASSWORD)
    client.reconnect_delay_set(1, 1)
    client.connect_async("127.0.0.1", broker.port)
    return client


class Publisher:
    """Publishes readings, keeps what the broker has not taken, and notes what it took and when."""

    def __init__(self, broker: Mosquitto, client_id: str) -> None:
        self.sent: set[Key] = set()
        self.taken_at: dict[Key, float] = {}
        """When it was seen (monotonic) that the broker had taken a reading."""
        self._under_way: list[tuple[mqtt.MQTTMessageInfo, Key]] = []
        self._ended = threading.Event()
        self._thread: threading.Thread | None = None
        self._client = lasting_client(broker, client_id)
        self._client.loop_start()

    @property
    def taken(self) -> set[Key]:
        return set(self.taken_at)

    def publish(self, topic: str, at: datetime, air: dict[str, float]) -> None:
        """Send one reading, at once or as soon as there is a broker."""
        key = (topic, round(at.timestamp() * 1000))
        self.sent.add(key)
        body = {"at": at.isoformat(), **air}
        info = self._client.publish(topic, json.dumps(body).encode(), qos=1)
        info.rc = mqtt.MQTT_ERR_SUCCESS  # without a connection paho keeps it and sends it later
        self._under_way.append((info, key))

    def send(self, count: int) -> None:
        """Send so many."""
        raise NotImplementedError

    @contextlib.contextmanager
    def sending(self, a_second: float) -> Iterator[None]:
        """Send steadily meanwhile."""
        self._ended.clear()
        self._thread = threading.Thread(target=self._keep_sending, args=(a_second,), daemon=True)
        self._thread.start()
        try:
            yield
        finally:
            self._ended.set()
            self._thread.join()

    def flush(self) -> None:
        """Wait until the broker has taken everything."""
        eventually(self._all_taken, LONG_S, "the broker has taken everything")

    def stop(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _keep_sending(self, a_second: float) -> None:
        owed = 0.0
        while not self._ended.wait(0.05):
            owed += 0.05 * a_second
            self.send(int(owed))
            owed -= int(owed)
            self._all_taken()

    def _all_taken(self) -> bool:
        left: list[tuple[mqtt.MQTTMessageInfo, Key]] = []
        for info, key in self._under_way:
            if info.is_published():
                self.taken_at.setdefault(key, time.monotonic())
            else:
                left.append((info, key))
        self._under_way = left
        return not left


class Sensors(Publisher):
    """Three sensors that keep what the broker has not taken, late, shuffled, and some of it twice.

    ``near`` lets the readings be of the last minutes; otherwise they are of days ago.
    """

    def __init__(self, broker: Mosquitto, seed: int, *, near: bool = False) -> None:
        super().__init__(broker, f"sensors-{seed}")
        self._every_s = 1.0 if near else float(EVERY_S)
        back = timedelta(minutes=10) if near else timedelta(days=60)  # twenty minutes' worth
        self._start = (datetime.now(UTC) - back).replace(microsecond=0)
        self._rnd = random.Random(seed)
        self._numbers = self._in_disorder()

    def send(self, count: int) -> None:
        """Send so many, at once or as soon as there is a broker."""
        for _ in range(count):
            number = next(self._numbers)
            at = self._start + timedelta(seconds=self._every_s * (number // len(TOPICS)))
            self.publish(TOPICS[number % len(TOPICS)], at, air(number))

    def _in_disorder(self) -> Iterator[int]:
        for first in range(0, 1_000_000_000, BLOCK):
            block = list(range(first, first + BLOCK))
            again = self._rnd.sample(range(max(0, first - BLOCK), first + BLOCK), 4)
            self._rnd.shuffle(block)
            yield from block
            yield from again


def air(number: int) -> dict[str, float]:
    """Return air that moves as a shop's does, and now and then as none does."""
    phase, rnd = 2.0 * math.pi * number / 2400.0, random.Random(number)
    spike = 9.0 if number % 97 == 50 else 0.0
    return {
        "air_c": round(20.0 + 2.0 * math.sin(phase) + rnd.gauss(0.0, 0.03) + spike, 3),
        "rh_pct": round(50.0 - 6.0 * math.sin(phase) + rnd.gauss(0.0, 0.15), 2),
    }


class Service:
    """The intake's process."""

    def __init__(
        self, broker: Mosquitto, data: Path, *, busy_timeout_ms: int | None = None
    ) -> None:
        self._how = [sys.executable, str(Path(__file__).with_name("intake_process.py"))]
        self._how += [broker.url, str(data)]
        self._env = os.environ | databases.environment(data)
        if busy_timeout_ms is not None:
            self._env["BUSY_TIMEOUT_MS"] = str(busy_timeout_ms)
        self._health = data.parent / "health.json"
        self.log = data.parent / "service.log"
        self.process: subprocess.Popen[bytes] | None = None

    def start(self, *, wait: bool = True) -> None:
        self._health.unlink(missing_ok=True)
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(
                self._how, stdout=subprocess.DEVNULL, stderr=log, env=self._env
            )
        if wait:
            try:
                eventually(lambda: self.health().get("connected"), LONG_S, "a connection")
            except AssertionError:
                said = self.log.read_text()[-2000:]
                raise AssertionError(f"no connection: {self.health()}, {said}") from None

    def kill(self) -> None:
        """End it as a power cut would: no handler of ours runs."""
        if self.process is not None:
            self.process.send_signal(signal.SIGKILL)
            self.process.wait()
            self.process = None

    def health(self) -> dict[str, object]:
        try:
            return dict(json.loads(self._health.read_text()))
        except FileNotFoundError:
            return {}


class Rig:
    """Everything together, and the counting afterwards."""

    def __init__(
        self,
        folder: Path,
        seed: int,
        *,
        data: Path | None = None,
        near: bool = False,
        busy_timeout_ms: int | None = None,
    ) -> None:
        self.rnd = random.Random(seed)
        self.folder = folder
        self.data = data or folder / "data"
        self.data.mkdir(parents=True, exist_ok=True)
        self.broker = Mosquitto(folder / "mosquitto", BROKER)
        self.broker.start()
        self.service = Service(self.broker, self.data, busy_timeout_ms=busy_timeout_ms)
        self.service.start()
        self.sensors = Sensors(self.broker, seed, near=near)

    @property
    def books(self) -> Path:
        return self.data.parent

    def shift_clock(self, seconds: float) -> None:
        """Put the service's clock wrong by so much."""
        draft = self.books / "clock-shift.new"
        draft.write_text(str(seconds))
        draft.replace(self.books / "clock-shift")

    def ask(self, statement: str) -> list[tuple[object, ...]]:
        """Ask the database, from outside of the service."""
        return databases.asked(self.data, statement)

    def landed(self) -> list[Key]:
        rows = self.ask("select place_id, name, at from reading join sensor on sensor_id = id")
        return [(f"boothglass/{place}/{name}", int(str(at))) for place, name, at in rows]

    def outcome(self) -> Outcome:
        """Wait until everything is quiet, end it all, and count."""
        began = time.monotonic()
        self.sensors.flush()
        self._wait_until_quiet()
        whole_after_s = time.monotonic() - began
        self.service.kill()
        self.sensors.stop()
        self.broker.stop()
        rows, aside = self.landed(), self._set_aside()
        there = set(rows)
        acknowledged = self._acknowledged()
        return Outcome(
            sent=len(self.sensors.sent),
            acknowledged=len(acknowledged),
            lost=len(acknowledged - there - aside),
            twice=len(rows) - len(there) + len(there - self.sensors.sent),
            set_aside=len(aside),
            broker_lost=len(self.sensors.taken - there - aside),
            equal=self._equals_a_rebuild(),
            whole_after_s=whole_after_s,
        )

    def close(self) -> None:
        """Leave nothing running, whatever went wrong."""
        self.service.kill()
        self.sensors.stop()
        self.broker.stop()

    def _wait_until_quiet(self) -> None:
        """Wait until nothing lands any more, and nothing is left to settle."""
        before, since, until = -1, time.monotonic(), time.monotonic() + 2 * LONG_S
        while time.monotonic() < until:
            ((rows, aside, left),) = self.ask(
                "select (select count(*) from reading), (select count(*) from reject),"
                " (select count(*) from unsettled)"
            )
            count = int(str(rows)) + int(str(aside))
            if count != before or left:
                before, since = count, time.monotonic()
            complete = count >= len(self.sensors.sent) and not left
            if time.monotonic() - since > (0.5 if complete else 10.0):
                return
            time.sleep(0.1)
        raise AssertionError("the service does not come to rest")

    def _acknowledged(self) -> set[Key]:
        lines = (self.books / "acknowledged").read_text().splitlines()
        whole = [line.split(" ") for line in lines if line.endswith(" .")]
        return {_key(topic, at) for topic, at, _ in whole}

    def _set_aside(self) -> set[Key]:
        return {
            _key(str(topic), json.loads(bytes(payload))["at"])  # type: ignore[call-overload]
            for topic, payload in self.ask("select topic, payload from reject")
        }

    def _derived(self) -> list[list[tuple[object, ...]]]:
        return [
            self.ask("select sensor_id, at, flags from reading order by sensor_id, at"),
            self.ask("select * from rollup order by sensor_id, step_s, at"),
            self.ask("select * from unsettled"),
        ]

    def _equals_a_rebuild(self) -> bool:
        before = self._derived()
        database = Database(databases.address(self.data))
        found = rebuild(database)
        database.dispose()
        return found.same and before == self._derived() and before[2] == []


def _key(topic: str, at: str) -> Key:
    return topic, round(datetime.fromisoformat(at).timestamp() * 1000)
