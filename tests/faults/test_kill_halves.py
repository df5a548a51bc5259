"""Power cuts while halves of readings wait for each other: no reading is lost or doubled."""

from __future__ import annotations

import json
import random
import threading
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import databases
import paho.mqtt.client as mqtt
import pytest
from equipment import PASSWORD, USER, Mosquitto, SetClock, eventually
from paho.mqtt.enums import CallbackAPIVersion
from test_kill import Child

from service.store.db import Database
from service.store.kinds import Kinds

pytestmark = [pytest.mark.real, pytest.mark.slow]

START = datetime(2026, 1, 1, tzinfo=UTC)
PAIRS, KILLS = 500, 8
KIND = {
    "topic": "rack/{sensor}/{quantity}",
    "place": "rack",
    "words": {
        "temp": {"quantity": "air_c", "unit": "°C", "pointer": "/v"},
        "hum": {"quantity": "rh_pct", "unit": "%", "pointer": "/v"},
    },
    "time": {"pointer": "/ts", "form": "epoch_s"},
}


def instants() -> list[float]:
    return [(START + timedelta(seconds=30 * n)).timestamp() for n in range(PAIRS)]


def kept(data: Path) -> list[tuple[int, float, float]]:
    query = "select at, raw_air_c, raw_rh_pct from reading order by at"
    return databases.asked(data, query)


def shuffled() -> list[tuple[str, float]]:
    """Every half; the two of a pair lie up to some messages apart."""
    dice = random.Random(7)
    halves = [
        (at + dice.uniform(0, 100), word, at) for at in instants() for word in ("temp", "hum")
    ]
    return [(word, at) for _, word, at in sorted(halves)]


def publish(broker: Mosquitto, halves: list[tuple[str, float]]) -> None:
    """Send halves with QoS 1, each after the broker has the one before."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="gateway")
    client.username_pw_set(USER, PASSWORD)
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    for word, at in halves:
        body = json.dumps({"v": 20 if word == "temp" else 50, "ts": at})
        client.publish(f"rack/w1/{word}", body, qos=1).wait_for_publish(30)
        time.sleep(0.005)
    client.disconnect()
    client.loop_stop()


def test_killed_again_and_again_no_reading_is_lost_or_doubled(tmp_path, mosquitto):
    data = tmp_path / "data"
    data.mkdir()
    database = Database(databases.fresh(data))
    Kinds(database, SetClock()).adopt("Rack", KIND)
    database.dispose()
    with Child(mosquitto, data) as child:
        eventually(lambda: child.up, 30, "the intake has subscribed")
        mosquitto.publish("rack/w0/temp", json.dumps({"v": 1, "ts": START.timestamp() - 900}))
        mosquitto.publish("rack/w0/hum", json.dumps({"v": 1, "ts": START.timestamp() - 900}))
        eventually(lambda: child.recorded == 1, 30, "the kind is subscribed")
    dice, halves = random.Random(11), shuffled()
    size = len(halves) // KILLS
    for number in range(KILLS):
        with Child(mosquitto, data) as child:
            eventually(lambda: child.up, 30, "the intake has subscribed")
            some = halves[number * size : (number + 1) * size]
            sender = threading.Thread(target=publish, args=(mosquitto, some))
            sender.start()
            time.sleep(dice.uniform(0.05, 1.0))
        sender.join()  # what comes while nobody listens waits at the broker
    with Child(mosquitto, data):
        eventually(lambda: len(kept(data)) >= PAIRS + 1, 40, "every reading is there")
        time.sleep(1)  # whatever else the broker has
    rows = kept(data)[1:]
    assert [at for at, _, _ in rows] == [round(1000 * at) for at in instants()]
    assert {(air, rh) for _, air, rh in rows} == {rows[0][1:]}
