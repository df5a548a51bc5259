"""From a sensor's publish to the changed spray check on an open page, while the shop is busy.

The service is a process of its own, the broker is Mosquitto. The page is what every open page is: a
listener of the live stream that asks the spray check again when it hears that the air has changed.
"""

from __future__ import annotations

import os
import random
import threading
import time
import urllib.request
from datetime import datetime, timedelta

import numpy as np
import paho.mqtt.client as mqtt
import pytest
from equipment import PASSWORD, USER, Mosquitto
from paho.mqtt.enums import CallbackAPIVersion
from running import Service

from sensors.payloads import encode

pytestmark = pytest.mark.bench

PLACES, SENSORS_EACH, EVERY_S = 20, 5, 1.0  # 100 readings a second
WARM_UP_S, SAMPLES, BETWEEN_S = 10.0, 100, 0.4
MATERIAL = "nitro-lacquer-gun"


def publisher(broker: Mosquitto) -> mqtt.Client:
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.username_pw_set(USER, PASSWORD)
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    return client


class Shop(threading.Thread):
    """Sensors in twenty places, each once a second, spread evenly over it."""

    def __init__(self, broker: Mosquitto) -> None:
        super().__init__(daemon=True)
        self._client = publisher(broker)
        self._ended = threading.Event()
        self.sent = 0

    def run(self) -> None:
        rnd = random.Random(3)
        topics = [f"boothglass/place{p}/s{s}" for s in range(SENSORS_EACH) for p in range(PLACES)]
        began = time.monotonic()
        while not self._ended.is_set():
            topic = topics[self.sent % len(topics)]
            air, rh = 21.0 + rnd.gauss(0.0, 0.02), 48.0 + rnd.gauss(0.0, 0.1)
            self._client.publish(topic, encode(air_c=air, rh_pct=rh), qos=1)
            self.sent += 1
            due = began + self.sent * EVERY_S / len(topics)
            time.sleep(max(0.0, due - time.monotonic()))

    def stop(self) -> None:
        self._ended.set()
        self.join()
        self._client.loop_stop()


class Page:
    """Listens to the live stream, and asks for the spray check of the booth when it hears of it."""

    def __init__(self, service: Service) -> None:
        self._service = service
        self._stream = urllib.request.urlopen(f"{service.base}/api/v1/events", timeout=60)
        self.heard = threading.Condition()
        self.answer: dict[str, object] = {}
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self._thread.start()

    def _listen(self) -> None:
        name = b""
        for line in self._stream:
            if line.startswith(b"event:"):
                name = line[6:].strip()
            elif line.startswith(b"data:") and name == b"air" and b'"booth"' in line:
                self._ask()

    def _ask(self) -> None:
        answer = self._service.get(f"places/booth/spray-check?material={MATERIAL}")
        with self.heard:
            self.answer = answer
            self.heard.notify_all()

    def wait(self, at: datetime) -> None:
        """Wait for an answer that rests on the reading of an instant."""

        def there() -> bool:
            seen = self.answer.get("as_of")
            return seen is not None and datetime.fromisoformat(str(seen)) >= at

        with self.heard:
            assert self.heard.wait_for(there, 60)


def test_a_reading_changes_the_spray_check_on_an_open_page(tmp_path):
    broker = Mosquitto(tmp_path / "mosquitto")
    broker.start()
    data = tmp_path / "data"
    data.mkdir()
    service = Service(data, broker.url)
    service.start()
    shop, sensor = Shop(broker), publisher(broker)
    shop.start()
    time.sleep(WARM_UP_S)
    page = Page(service)
    offset, rnd, took = service.now() - timedelta(seconds=time.monotonic()), random.Random(4), []
    for n in range(SAMPLES):
        at = offset + timedelta(seconds=time.monotonic())
        at = at.replace(microsecond=at.microsecond // 1000 * 1000)
        body = encode(at=at, air_c=21.0 + 0.01 * (n % 5), rh_pct=45.0 + 0.1 * (n % 7))
        began = time.perf_counter()
        sensor.publish("boothglass/booth/wall", body, qos=1)
        page.wait(at)
        took.append(time.perf_counter() - began)
        time.sleep(rnd.uniform(0.5, 1.5) * BETWEEN_S)
    health = service.get("health")
    shop.stop()
    sensor.loop_stop()
    service.stop()
    broker.stop()
    median, p99, most = np.quantile(took, [0.5, 0.99, 1.0])
    print(
        f"\nPublish to changed spray check, {shop.sent} readings beside it at"
        f" {PLACES * SENSORS_EACH / EVERY_S:g}/s, {SAMPLES} samples: median {1e3 * median:.0f} ms,"
        f" 99th percentile {1e3 * p99:.0f} ms, most {1e3 * most:.0f} ms;"
        f" load of the machine {os.getloadavg()[0]:.1f}"
    )
    assert health["mqtt"]["rejected"] == 0
    assert page.answer["answer"] != "unknown", page.answer["reasons"]
