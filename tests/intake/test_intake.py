"""The intake against a real Mosquitto, with mosquitto_pub as the sensor."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from equipment import USER, Mosquitto, SetClock, eventually, free_port
from sqlmodel import select

from service.intake.client import Intake
from service.intake.sorter import Sorter
from service.settings import MqttAddress
from service.store import rejects
from service.store.db import Database
from service.store.readings import Recorded
from service.store.tables import Reading, Reject

pytestmark = pytest.mark.real

TOPIC = "boothglass/booth/wall"
NOW = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)


def report(second: int = 0, **changes: object) -> dict[str, object]:
    at = (NOW + timedelta(seconds=second - 3600)).isoformat()
    return {"at": at, "air_c": 20.0, "rh_pct": 50.0} | changes


def nobody(_recorded: Recorded) -> None:
    """Nobody listens to what was recorded."""


class Shop:
    """An intake that may be stopped and started again on the same data."""

    def __init__(self, broker: Mosquitto, database: Database, clock: SetClock, data: Path) -> None:
        self.broker, self.database, self.clock, self.data = broker, database, clock, data
        self.told: list[Recorded] = []
        self.intake: Intake | None = None

    def start(self) -> Intake:
        self.intake = Intake(
            self.broker.address, self.database, self.clock, self.data, on_recorded=self.told.append
        )
        self.intake.start()
        assert self.intake.wait_connected(10), self.intake.health()
        return self.intake

    def stop(self) -> None:
        if self.intake is not None:
            self.intake.stop()
            self.intake = None

    def settles_at(self, **counts: int) -> None:
        assert self.intake is not None
        health = self.intake.health

        def settled() -> bool:
            return all(health()[name] == count for name, count in counts.items())

        try:
            eventually(settled, 15)
        except AssertionError:
            raise AssertionError(f"{counts} expected, {health()} found") from None

    def readings(self) -> list[Reading]:
        with self.database.read() as session:
            return list(session.exec(select(Reading).order_by(Reading.at)).all())

    def rejects(self) -> list[Reject]:
        with self.database.read() as session:
            return rejects.recent(session, 1000)


@pytest.fixture
def shop(
    mosquitto: Mosquitto, database: Database, clock: SetClock, data_folder: Path
) -> Iterator[Shop]:
    made = Shop(mosquitto, database, clock, data_folder)
    made.start()
    yield made
    made.stop()


def test_a_reading_arrives(shop):
    shop.broker.publish(TOPIC, report(surface_c=18.5, pressure_pa=100_900))
    shop.settles_at(recorded=1)
    (row,) = shop.readings()
    assert (row.at, row.received_at) == (NOW - timedelta(hours=1), NOW)
    assert (row.raw_air_c, row.raw_rh_pct, row.surface_c, row.pressure_pa) == (
        20.0,
        50.0,
        18.5,
        100_900,
    )
    assert [recorded.places for recorded in shop.told] == [{"booth"}]
    health = shop.intake.health()
    assert health["connected"]
    assert health["problems"] == []
    assert health["last_commit_at"] == NOW


def test_senml_arrives(shop):
    pack = [{"n": "temperature", "u": "Cel", "v": 21}, {"n": "humidity", "u": "%RH", "v": 44}]
    shop.broker.publish(TOPIC, json.dumps(pack))
    shop.settles_at(recorded=1)
    assert [(r.raw_air_c, r.raw_rh_pct, r.at) for r in shop.readings()] == [(21.0, 44.0, NOW)]


def test_wrong_payloads_of_every_kind_are_kept_and_harm_nothing(shop):
    wrong = [
        (b"not json at all", "payload"),
        (b"{", "payload"),
        (b"", "payload"),
        (bytes(range(256)), "payload"),
        (b'{"a":' * 10_000, "payload"),
        (b"x" * 10_000_000, "payload"),
        (b'{"air_c": NaN, "rh_pct": 50}', "air_c"),
        (b'{"air_c": 20, "rh_pct": 140}', "rh_pct"),
        (b'{"air_c": 20, "rh_pct": "fifty"}', "rh_pct"),
        (b'{"at": "2035-01-01T00:00:00Z", "air_c": 20, "rh_pct": 50}', "at"),
        (b'{"at": "2026-03-02T08:00:00", "air_c": 20, "rh_pct": 50}', "at"),
        (b'{"at": 1772438400, "rh_pct": 50}', "air_c"),
        (b'[{"n": "temperature", "u": "degF", "v": 70}]', "air_c"),
    ]
    shop.broker.publish(TOPIC, report(0))
    for number, (payload, _) in enumerate(wrong, start=1):
        shop.broker.publish(TOPIC, payload)
        shop.broker.publish(TOPIC, report(number))
    shop.broker.publish("boothglass/the booth/wall", report(99))
    shop.settles_at(recorded=len(wrong) + 1, rejected=len(wrong) + 1)
    assert len(shop.readings()) == len(wrong) + 1
    kept = list(reversed(shop.rejects()))
    assert [r.field for r in kept] == [*(field for _, field in wrong), "place"]
    assert all(r.reason for r in kept)
    assert [r.size_bytes for r in kept[:-1]] == [len(payload) for payload, _ in wrong]
    assert [r.payload for r in kept[:-1]] == [payload[:4096] for payload, _ in wrong]
    assert shop.intake.health()["problems"] == []


def test_what_is_sent_twice_lands_once(shop):
    shop.broker.publish(TOPIC, *[report(second) for second in (0, 0, 30, 0, 30, 60)])
    shop.settles_at(recorded=3, duplicates=3)
    assert len(shop.readings()) == 3


def test_the_services_own_topics_are_no_readings(shop):
    shop.broker.publish("boothglass/notices/ready", {"text": "sand it"})
    shop.broker.publish(TOPIC, report())
    shop.settles_at(recorded=1, rejected=0, received=1)


def test_what_comes_while_nobody_listens_waits_at_the_broker(shop):
    shop.stop()
    shop.broker.publish(TOPIC, *[report(second) for second in range(500)])
    shop.start()
    shop.settles_at(recorded=500)
    assert len(shop.readings()) == 500


def test_a_reading_of_unknown_age_is_not_taken_for_fresh(shop):
    without_at = {"air_c": 20.0, "rh_pct": 50.0}
    shop.broker.publish(TOPIC, without_at)
    shop.settles_at(recorded=1)
    shop.stop()
    # It waits for an hour: nobody can say how old it is. Those that tell their time are welcome.
    shop.broker.publish(TOPIC, without_at)
    shop.broker.publish(TOPIC, report(1))
    shop.clock.advance(hours=1)
    shop.start()
    shop.settles_at(recorded=1, rejected=1)
    (reject,) = shop.rejects()
    assert reject.field == "at"
    assert "age is unknown" in reject.reason
    # From here on the air is as fresh as it comes.
    shop.broker.publish(TOPIC, without_at)
    shop.settles_at(recorded=2, rejected=1)
    assert shop.readings()[-1].at == shop.clock.now()


def test_a_retained_reading_of_unknown_age_is_not_taken_for_fresh(shop):
    shop.stop()
    shop.broker.publish("boothglass/booth/old", {"air_c": 20, "rh_pct": 50}, retain=True)
    shop.broker.publish("boothglass/booth/older", report(0), retain=True)
    (shop.data / "mqtt-client-id").unlink()  # a new installation, to whom retained ones are sent
    shop.start()
    shop.settles_at(recorded=1, rejected=1)
    assert [(r.topic, r.field) for r in shop.rejects()] == [("boothglass/booth/old", "at")]
    # And it is not sent again at every reconnection.
    shop.broker.stop()
    shop.broker.start()
    eventually(lambda: shop.intake.health()["reconnects"] == 1)
    assert shop.intake.wait_connected(10)
    shop.broker.publish(TOPIC, report(1))
    shop.settles_at(recorded=2, rejected=1)


def test_a_broker_that_comes_back_finds_us_again(shop):
    shop.broker.publish(TOPIC, report(0))
    shop.settles_at(recorded=1)
    shop.broker.stop()
    eventually(lambda: not shop.intake.health()["connected"])
    assert "no connection to the broker" in shop.intake.health()["problems"][0]
    shop.broker.start()
    # Published before we are back: the session is kept, so nothing is missed.
    shop.broker.publish(TOPIC, report(30))
    shop.settles_at(recorded=2, reconnects=1)
    assert shop.intake.health()["problems"] == []


def test_a_broker_that_is_not_there_yet(mosquitto, database, clock, data_folder):
    mosquitto.stop()
    intake = Intake(mosquitto.address, database, clock, data_folder, on_recorded=nobody)
    intake.start()
    eventually(lambda: "does not answer" in str(intake.health()["problems"]))
    mosquitto.start()
    assert intake.wait_connected(10)
    intake.stop()
    assert not intake.health()["connected"]


def health_of(address: MqttAddress, database, clock, data: Path, says: str) -> None:
    intake = Intake(address, database, clock, data, on_recorded=nobody)
    intake.start()
    eventually(lambda: says in str(intake.health()["problems"]), what=says)
    intake.stop()


def test_a_wrong_password_is_said_and_not_shown(mosquitto, database, clock, data_folder):
    address = MqttAddress("127.0.0.1", mosquitto.port, USER, "wr0ng", tls=False)
    health_of(address, database, clock, data_folder, "Not authorized")
    assert "wr0ng" not in repr(address)


def test_nobody_at_the_address(database, clock, data_folder):
    address = MqttAddress("127.0.0.1", free_port(), None, None, tls=False)
    health_of(address, database, clock, data_folder, "does not answer")


def test_a_callback_that_fails_makes_the_connection_anew(shop, monkeypatch):
    connection = shop.intake._connection
    real: Callable[..., bool] = connection._offer
    failures = iter([RuntimeError("surprise")])

    def once_broken(arrival, wait_s):
        for failure in failures:
            raise failure
        return real(arrival, wait_s)

    monkeypatch.setattr(connection, "_offer", once_broken)
    shop.broker.publish(TOPIC, report(0))
    shop.broker.publish(TOPIC, report(30))
    shop.settles_at(recorded=2, worker_restarts=1)


def test_more_than_can_be_held_waits_at_the_broker(shop, monkeypatch):
    # A full queue hangs up on QoS 1 and lets go of QoS 0; the broker sends the former again.
    connection = shop.intake._connection
    real: Callable[..., bool] = connection._offer
    full = iter([False, False])
    monkeypatch.setattr(connection, "_offer", lambda a, w: next(full, True) and real(a, w))
    shop.broker.publish(TOPIC, report(0), qos=1)
    shop.broker.publish(TOPIC, report(30), qos=1)
    shop.settles_at(recorded=2)
    full = iter([False])
    shop.broker.publish(TOPIC, report(60), qos=0)
    shop.broker.publish(TOPIC, report(90), qos=0)
    shop.settles_at(recorded=3, dropped=1)


def test_what_an_unforeseen_error_drops_is_sent_again(shop, monkeypatch):
    real, failures = Sorter.sort, iter([RuntimeError("surprise")])

    def once_broken(self, batch, now):
        for failure in failures if batch else ():
            raise failure
        return real(self, batch, now)

    monkeypatch.setattr(Sorter, "sort", once_broken)
    shop.broker.publish(TOPIC, report())  # the call under way is still the old one
    shop.settles_at(recorded=1)
    shop.broker.publish(TOPIC, report(30))
    shop.settles_at(recorded=2)
    assert shop.intake.health()["worker_restarts"] == 1
