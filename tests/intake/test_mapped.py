"""Adopted sensor kinds against a real Mosquitto: subscribed, read, joined, acknowledged."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from equipment import Mosquitto, SetClock, eventually
from sqlmodel import select

from sensors.halves import NEAR, SPAN
from service.intake import client as intake_client
from service.intake.broker import EmbeddedBroker
from service.intake.client import Intake
from service.intake.keyring import Keyring, Rights
from service.settings import MqttAddress
from service.store import rejects
from service.store.db import Database
from service.store.errors import StoreError
from service.store.kinds import Kinds
from service.store.readings import Recorded
from service.store.tables import Reading, Reject, Sensor

pytestmark = pytest.mark.real

NOW = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)

WHOLE = {
    "topic": "hall/{place}/{sensor}/state",
    "values": {
        "air_c": {"pointer": "/env/t", "unit": "°F"},
        "rh_pct": {"pointer": "/env/h", "unit": "fraction"},
        "battery_pct": {"pointer": "/cell", "unit": "%"},
    },
    "time": {"pointer": "/ts", "form": "epoch_s"},
}
PLAIN = {
    "topic": "rack/{sensor}/{quantity}",
    "place": "rack",
    "words": {
        "temperature": {"quantity": "air_c", "unit": "°C"},
        "humidity": {"quantity": "rh_pct", "unit": "%"},
    },
}
TIMED_HALVES = PLAIN | {
    "topic": "store/{sensor}/{quantity}",
    "place": "store",
    "words": {
        "temp": {"quantity": "air_c", "unit": "°C", "pointer": "/v"},
        "hum": {"quantity": "rh_pct", "unit": "%", "pointer": "/v"},
    },
    "time": {"pointer": "/ts", "form": "epoch_s"},
}


def whole(second: int = 0) -> dict[str, object]:
    at = (NOW + timedelta(seconds=second - 3600)).timestamp()
    return {"env": {"t": 68.0, "h": 0.5}, "cell": 81, "ts": at, "link": 200}


def timed(value: float, second: float) -> dict[str, object]:
    return {"v": value, "ts": (NOW + timedelta(seconds=second - 3600)).timestamp()}


def nobody(_recorded: Recorded) -> None:
    """Nobody listens to what was recorded."""


class Shop:
    """An intake that may be stopped and started again on the same data, and its sensor kinds."""

    def __init__(
        self, address: MqttAddress, database: Database, clock: SetClock, data: Path, *, mqtt5: bool
    ) -> None:
        self.address, self.database, self.clock, self.data = address, database, clock, data
        self.mqtt5 = mqtt5
        self.kinds = Kinds(database, clock)
        self.intake: Intake | None = None

    def start(self) -> None:
        self.intake = Intake(
            self.address, self.database, self.clock, self.data,
            on_recorded=nobody, mqtt5=self.mqtt5,
        )  # fmt: skip
        self.intake.start()
        assert self.intake.wait_connected(10), self.intake.health()

    def stop(self) -> None:
        if self.intake is not None:
            self.intake.stop()
            self.intake = None

    def adopt(self, name: str, spec: object) -> None:
        self.kinds.adopt(name, spec)
        if self.intake is not None:
            self.intake.refresh()
            filters = self.intake._connection.filters
            eventually(lambda: filters._standing == filters._wanted.keys(), what="subscribed")

    def health(self) -> dict[str, Any]:
        assert self.intake is not None
        return self.intake.health()

    def settles_at(self, **counts: int) -> None:
        def settled() -> bool:
            health = self.health()
            return all(health[name] == count for name, count in counts.items())

        try:
            eventually(settled, 15)
        except AssertionError:
            raise AssertionError(f"{counts} expected, {self.health()} found") from None

    def readings(self) -> list[tuple[str, str, float, float]]:
        query = select(Reading, Sensor).join(Sensor).order_by(Reading.at)
        with self.database.read() as session:
            return [
                (s.place_id, s.name, round(r.raw_air_c, 2), round(r.raw_rh_pct, 2))
                for r, s in session.exec(query).all()
            ]

    def rejects(self) -> list[Reject]:
        with self.database.read() as session:
            return rejects.recent(session, 1000)


@pytest.fixture(params=[True, False], ids=["mqtt5", "mqtt311"])
def shop(
    mosquitto: Mosquitto,
    database: Database,
    clock: SetClock,
    data_folder: Path,
    request: pytest.FixtureRequest,
) -> Iterator[Shop]:
    made = Shop(mosquitto.address, database, clock, data_folder, mqtt5=request.param)
    made.start()
    yield made
    made.stop()


def test_adopted_without_restart_it_is_read_beside_our_own(shop, mosquitto):
    mosquitto.publish("hall/Booth/0xA4:C1/state", whole(0))
    shop.adopt("Hall", WHOLE)
    mosquitto.publish("hall/Booth/0xA4:C1/state", whole(30))
    mosquitto.publish("boothglass/booth/wall", {"air_c": 21, "rh_pct": 40})
    shop.settles_at(recorded=2, rejected=0)
    assert shop.readings() == [("booth", "0xa4-c1", 20.0, 50.0), ("booth", "wall", 21.0, 40.0)]
    with shop.database.read() as session:
        assert session.exec(select(Reading.battery_pct)).first() == 81


def test_adopted_by_another_process_it_is_found(shop, mosquitto, monkeypatch):
    shop.stop()
    monkeypatch.setattr(intake_client, "KINDS_EVERY_S", 0.1)
    shop.start()
    Kinds(shop.database, shop.clock).adopt("Hall", WHOLE)
    eventually(lambda: shop.intake._connection.filters._standing, what="subscribed")
    mosquitto.publish("hall/booth/a/state", whole())
    shop.settles_at(recorded=1)


def test_wrong_payloads_are_kept_with_the_field(shop, mosquitto):
    shop.adopt("Hall", WHOLE)
    for body in ({"env": {"t": 68}}, {"env": {"t": 200, "h": 0.5}}, {"env": {"t": "x", "h": 0.5}}):
        mosquitto.publish("hall/booth/a/state", body)
    mosquitto.publish("hall/booth/a/state", b"{")
    mosquitto.publish("hall/notices/a/state", whole())
    mosquitto.publish("hall/booth/a/state", whole())
    shop.settles_at(recorded=1, rejected=5)
    fields = [r.field for r in reversed(shop.rejects())]
    assert fields == ["rh_pct", "air_c", "air_c", "payload", "place"]


def test_halves_on_topics_of_their_own_are_one_reading(shop, mosquitto):
    shop.adopt("Rack", PLAIN)
    mosquitto.publish("rack/w1/temperature", b"21.4 \xc2\xb0C")
    mosquitto.publish("rack/w1/linkquality", b"180")  # not subscribed
    shop.settles_at(received=1, waiting_for_other_half=1, recorded=0)
    mosquitto.publish("rack/w1/humidity", b"47")
    shop.settles_at(received=2, recorded=1, waiting_for_other_half=0, rejected=0)
    assert shop.readings() == [("rack", "w1", 21.4, 47.0)]


def test_a_half_that_stays_alone_is_kept_with_the_reason(shop, mosquitto):
    shop.adopt("Rack", PLAIN)
    mosquitto.publish("rack/w1/temperature", b"21.4")
    shop.settles_at(waiting_for_other_half=1)
    shop.clock.advance(seconds=SPAN.total_seconds())
    shop.settles_at(waiting_for_other_half=0, recorded=0, rejected=1)
    (reject,) = shop.rejects()
    assert (reject.field, reject.topic, reject.payload) == (
        "rh_pct",
        "rack/w1/temperature",
        b"21.4",
    )
    assert "120 s" in reject.reason
    # Acknowledged: it does not come again.
    shop.stop()
    shop.start()
    mosquitto.publish("boothglass/booth/wall", {"air_c": 21, "rh_pct": 40})
    shop.settles_at(received=1, recorded=1)


def test_a_half_that_waits_at_a_stop_is_not_lost(shop, mosquitto):
    shop.adopt("Store", TIMED_HALVES)
    mosquitto.publish("store/w1/temp", timed(19.5, 0))
    shop.settles_at(waiting_for_other_half=1)
    shop.stop()
    mosquitto.publish("store/w1/hum", timed(44.0, 1))
    shop.start()  # the broker still has the first half, and sends both
    shop.settles_at(recorded=1, waiting_for_other_half=0)
    assert shop.readings() == [("store", "w1", 19.5, 44.0)]
    assert shop.rejects() == []


def test_swapped_repeated_and_late_halves_land_once(shop, mosquitto):
    shop.adopt("Store", TIMED_HALVES)
    for second in (60, 0, 60, 120):
        mosquitto.publish("store/w1/hum", timed(40.0 + second / 10, second))
        mosquitto.publish("store/w1/temp", timed(20.0, second))
    shop.settles_at(received=8)
    shop.clock.advance(seconds=NEAR.total_seconds())
    shop.settles_at(waiting_for_other_half=0, recorded=3)
    assert [reading[3] for reading in shop.readings()] == [40.0, 46.0, 52.0]
    assert shop.rejects() == []


def test_halves_that_wait_hold_up_nobody_else(shop, mosquitto):
    # Mosquitto sends 20 unacknowledged messages ahead to a client that names no number of its own
    # (mosquitto.conf, max_inflight_messages); MQTT 5 lets us name 1000.
    shop.adopt("Rack", PLAIN)
    for number in range(30):
        mosquitto.publish(f"rack/s{number}/temperature", b"20")
    mosquitto.publish("boothglass/booth/wall", {"air_c": 21, "rh_pct": 40})
    waits = 30 if shop.mqtt5 else 10
    shop.settles_at(received=31, waiting_for_other_half=waits, recorded=1, rejected=30 - waits)
    for number in range(30):
        mosquitto.publish(f"rack/s{number}/humidity", b"50")
    shop.settles_at(waiting_for_other_half=0, recorded=31, rejected=30 - waits)


def test_retired_it_is_heard_no_more(shop, mosquitto):
    shop.adopt("Hall", WHOLE)
    shop.kinds.retire("hall")
    shop.intake.refresh()
    mosquitto.publish("hall/booth/a/state", whole())
    mosquitto.publish("boothglass/booth/wall", {"air_c": 21, "rh_pct": 40})
    shop.settles_at(recorded=1, received=1, rejected=0)


def test_retired_while_the_service_is_down_it_is_unsubscribed(shop, mosquitto):
    shop.adopt("Hall", WHOLE)
    shop.stop()
    shop.kinds.retire("hall")
    mosquitto.publish("hall/booth/a/state", whole(0))  # kept by the broker for our session
    shop.start()
    shop.settles_at(received=1, recorded=0, rejected=0)
    mosquitto.publish("hall/booth/a/state", whole(30))
    mosquitto.publish("boothglass/booth/wall", {"air_c": 21, "rh_pct": 40})
    shop.settles_at(received=2, recorded=1)


@pytest.mark.parametrize("left", [b"", b"{", b"[1, null", b"7"])
def test_a_list_of_topics_that_was_cut_short_is_made_anew(shop, mosquitto, left):
    shop.adopt("Hall", WHOLE)
    shop.stop()
    (shop.data / "mqtt-filters.json").write_bytes(left)
    shop.start()
    mosquitto.publish("hall/booth/a/state", whole())
    shop.settles_at(recorded=1)
    eventually(lambda: json.loads((shop.data / "mqtt-filters.json").read_text()))


def test_after_a_broker_that_forgot_us_the_kinds_are_subscribed_again(shop, mosquitto):
    shop.adopt("Hall", WHOLE)
    mosquitto.stop()
    (mosquitto.folder / "mosquitto.db").unlink()
    mosquitto.start()
    eventually(lambda: shop.health()["reconnects"] == 1)
    assert shop.intake.wait_connected(10)
    eventually(lambda: shop.intake._connection.filters._standing)
    mosquitto.publish("hall/booth/a/state", whole())
    shop.settles_at(recorded=1)


def test_what_overlapping_subscriptions_send_twice_lands_once(shop, mosquitto):
    # Kinds that overlap are refused; should a broker hold an older subscription all the same, it
    # may send one message for each (MQTT 5, section 3.3.4).
    shop.adopt("Hall", WHOLE)
    with pytest.raises(StoreError):
        shop.kinds.adopt("Other", WHOLE | {"topic": "hall/+/{sensor}/state", "place": "booth"})
    shop.intake._connection.filters.want({"hall/+/+/state": True, "hall/+/+/+": True})
    eventually(lambda: len(shop.intake._connection.filters._standing) == 2)
    mosquitto.publish("hall/booth/a/state", whole(0))
    mosquitto.publish("hall/booth/a/state", whole(30))
    shop.settles_at(recorded=2, rejected=0)
    assert len(shop.readings()) == 2


def test_retained_numbers_without_a_time_are_of_unknown_age(shop, mosquitto):
    mosquitto.publish("rack/w1/temperature", b"21.4", retain=True)
    mosquitto.publish("rack/w1/humidity", b"47", retain=True)
    shop.adopt("Rack", PLAIN)
    mosquitto.publish("boothglass/booth/wall", {"air_c": 21, "rh_pct": 40})
    shop.settles_at(recorded=1, waiting_for_other_half=0)
    assert {r.field for r in shop.rejects()} <= {"at"}
    assert len(shop.readings()) == 1


class OnlyOurs(Keyring):
    """Lets the service have our own topics and no others, as a strict owner of a broker may."""

    def rights(self, user: str | None, password: str | None, address: str | None) -> Rights | None:
        found = super().rights(user, password, address)
        ours = ("boothglass/#",)
        return Rights("service", topics=ours, reads=ours) if found and found.all else found


def test_a_subscription_that_is_refused_is_said_and_stops_nothing_else(
    database, clock, data_folder
):
    broker = EmbeddedBroker(data_folder, 0)
    broker.keyring = OnlyOurs(broker.service_password, broker.sensor_password)
    broker.start()
    shop = Shop(broker.address, database, clock, data_folder, mqtt5=False)
    shop.start()
    shop.kinds.adopt("Hall", WHOLE)
    shop.intake.refresh()
    eventually(lambda: shop.health()["problems"])
    assert shop.health()["problems"] == ["the broker refuses the subscription hall/+/+/state"]
    client = _client(broker.address)
    client.publish("boothglass/booth/wall", json.dumps({"air_c": 21, "rh_pct": 40}), qos=1)
    shop.settles_at(recorded=1)
    client.disconnect()
    client.loop_stop()
    shop.kinds.retire("hall")
    shop.intake.refresh()
    assert shop.health()["problems"] == []
    shop.stop()
    broker.stop()


def test_with_the_embedded_broker(database, clock, data_folder):
    broker = EmbeddedBroker(data_folder, 0)
    broker.start()
    shop = Shop(broker.address, database, clock, data_folder, mqtt5=False)
    shop.start()
    shop.adopt("Rack", PLAIN)
    client = _client(broker.address)
    client.publish("rack/w1/humidity", b"47", qos=1)
    client.publish("rack/w1/temperature", b"21.4", qos=1)
    shop.settles_at(recorded=1)
    client.disconnect()
    client.loop_stop()
    shop.stop()
    broker.stop()


def test_under_load_with_kinds_coming_and_going_nothing_is_lost(shop, mosquitto):
    shop.adopt("Store", TIMED_HALVES)
    ended = threading.Event()

    def come_and_go() -> None:
        number = 0
        while not ended.wait(0.02):
            number += 1
            shop.kinds.adopt(f"Kind {number}", WHOLE | {"topic": f"k{number}/{{place}}/{{sensor}}"})
            shop.intake.refresh()
            shop.kinds.retire(f"kind-{number}")

    other = threading.Thread(target=come_and_go)
    other.start()
    try:
        lines = [json.dumps(timed(20.0, second)) for second in range(0, 3000, 10)]
        both: list[Callable[[], None]] = [
            lambda: mosquitto.publish("store/w1/temp", *lines),
            lambda: mosquitto.publish("store/w1/hum", *lines),
        ]
        senders = [threading.Thread(target=send) for send in both]
        for sender in senders:
            sender.start()
        for sender in senders:
            sender.join()
        shop.settles_at(received=600)
    finally:
        ended.set()
        other.join()
    shop.clock.advance(seconds=SPAN.total_seconds())
    shop.settles_at(waiting_for_other_half=0)
    shop.settles_at(recorded=300, worker_restarts=0)
    # With MQTT 3.1.1 few may wait: what goes first is told as refused, and joined all the same.
    assert shop.health()["rejected"] == 0 or not shop.mqtt5


def _client(address: MqttAddress) -> Any:
    import paho.mqtt.client as mqtt
    from paho.mqtt.enums import CallbackAPIVersion

    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="sensor")
    client.username_pw_set(address.user, address.password)
    client.connect(address.host, address.port)
    client.loop_start()
    return client
