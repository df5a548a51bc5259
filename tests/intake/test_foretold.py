"""Forecasts of the air outdoors over real MQTT, by the embedded broker and by another."""

from __future__ import annotations

import json
import subprocess
from datetime import timedelta
from pathlib import Path

import pytest
from equipment import Mosquitto, SetClock, command, eventually, free_port
from sqlmodel import select

from service.intake.broker import EmbeddedBroker
from service.intake.foretold import TOPIC, ForecastListener, Foretold
from service.settings import MqttAddress
from service.store.db import Database
from service.store.tables import Forecast, Reading, Reject

pytestmark = pytest.mark.real


def publish(address: MqttAddress, payload: bytes) -> None:
    """Publish by Mosquitto's own client, retained."""
    how = [command("mosquitto_pub"), "-h", "127.0.0.1", "-p", str(address.port), "-q", "1", "-r"]
    how += ["-u", str(address.user), "-P", str(address.password), "-t", TOPIC, "-s"]
    subprocess.run(how, input=payload, timeout=30, check=True)


def forecast(clock: SetClock) -> bytes:
    hours = [
        {"at": (clock.now() + timedelta(hours=h)).isoformat(), "air_c": 8.0, "rh_pct": 90.0}
        for h in (1, 2, 3)
    ]
    return json.dumps({"issued_at": clock.now().isoformat(), "hours": hours}).encode()


def rows(database: Database, table: type) -> int:
    with database.read() as session:
        return len(session.exec(select(table)).all())


def is_heard(address: MqttAddress, database: Database, clock: SetClock) -> None:
    # Retained: what was published while the service was off is heard when it comes back.
    publish(address, forecast(clock))
    shop = Foretold(database, clock)
    listener = ForecastListener(address, TOPIC, lambda _: shop)
    listener.start()
    try:
        eventually(lambda: rows(database, Forecast) == 3, what="three hours are kept")
        publish(address, b'{"hours": 7}')
        eventually(lambda: rows(database, Reject) == 1, what="the reason is kept")
        publish(address, forecast(clock))
        eventually(lambda: shop.kept == 3, what="the same issue again changes nothing")
    finally:
        listener.stop()
    assert rows(database, Forecast) == 3
    assert rows(database, Reading) == 0


def test_at_mosquitto(mosquitto: Mosquitto, database: Database, clock: SetClock) -> None:
    is_heard(mosquitto.address, database, clock)


def test_at_the_embedded_broker(data_folder: Path, database: Database, clock: SetClock) -> None:
    broker = EmbeddedBroker(data_folder, free_port())
    broker.start()
    try:
        is_heard(broker.address, database, clock)
    finally:
        broker.stop()
