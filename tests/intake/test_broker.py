"""The embedded broker, met by clients that are not ours."""

from __future__ import annotations

import socket
import stat
import subprocess
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from equipment import SetClock, command, eventually, free_port
from paho.mqtt.enums import CallbackAPIVersion
from sqlmodel import select

from sensors.payloads import encode
from service.intake.broker import SENSOR_USER, BrokerError, EmbeddedBroker, usable_port
from service.intake.client import Intake
from service.store.readings import Recorded
from service.store.tables import Reading

pytestmark = pytest.mark.real

TOPIC = "boothglass/booth/wall"


def nobody(_recorded: Recorded) -> None:
    """Nobody listens to what was recorded."""


@pytest.fixture
def broker(data_folder: Path) -> Iterator[EmbeddedBroker]:
    made = EmbeddedBroker(data_folder, free_port())
    made.start()
    yield made
    made.stop()


@pytest.fixture
def intake(broker, database, clock, data_folder) -> Iterator[Intake]:
    made = Intake(
        broker.address, database, clock, data_folder,
        on_recorded=nobody, mqtt5=False,
    )  # fmt: skip
    made.start()
    assert made.wait_connected(10), made.health()
    yield made
    made.stop()


def payload(clock: SetClock, second: int = 0) -> bytes:
    return encode(at=clock.now() + timedelta(seconds=second - 3600), air_c=20.0, rh_pct=50.0)


def publish(broker: EmbeddedBroker, *payloads: bytes, password: str, user: str = SENSOR_USER):
    how = [command("mosquitto_pub"), "-h", "127.0.0.1", "-p", str(broker.address.port), "-q", "1"]
    how += ["-u", user, "-P", password, "-t", TOPIC, "-l"]
    text = b"".join(line + b"\n" for line in payloads)
    return subprocess.run(how, input=text, capture_output=True, timeout=60, check=False)


def kept(database) -> int:
    with database.read() as session:
        return len(session.exec(select(Reading)).all())


def test_a_sensor_with_the_password_is_heard(broker, intake, database, clock):
    sent = publish(broker, *[payload(clock, n) for n in range(50)], password=broker.sensor_password)
    assert sent.returncode == 0, sent.stderr
    eventually(lambda: intake.health()["recorded"] == 50)
    assert kept(database) == 50


@pytest.mark.parametrize(
    ("user", "password"), [(SENSOR_USER, "guess"), ("nobody", "guess"), (SENSOR_USER, "")]
)
def test_without_the_password_nothing_comes_in(broker, intake, clock, user, password):
    refused = publish(broker, payload(clock), user=user, password=password)
    assert refused.returncode != 0
    assert b"not authorised" in refused.stderr
    assert publish(broker, payload(clock), password=broker.sensor_password).returncode == 0
    eventually(lambda: intake.health()["recorded"] == 1)
    assert intake.health()["received"] == 1


@pytest.mark.parametrize(("how", "comes_in"), [
    ({}, True),  # of this machine, while the broker listens on no other address
    ({"sensors_open": False}, False),
    ({"lan": True}, False),
    ({"lan": True, "sensors_open": True}, True),
])  # fmt: skip
def test_who_comes_in_without_a_name(data_folder, how, comes_in):
    broker = EmbeddedBroker(data_folder, free_port(), **how)
    broker.start()
    said = [command("mosquitto_pub"), "-h", "127.0.0.1", "-p", str(broker.address.port)]
    said += ["-t", TOPIC, "-m", "{}"]
    answered = subprocess.run(said, capture_output=True, timeout=30, check=False)
    broker.stop()
    assert (answered.returncode == 0) is comes_in, answered.stderr


def test_what_a_sensor_sent_before_it_left_is_handed_on(broker, intake, database, clock):
    # A sensor that was out of reach empties its buffer as fast as it can, and sleeps again as soon
    # as all is acknowledged.
    # (This broker forgets what it has acknowledged and not yet handed on when a client leaves; any
    # plugin that looks at each message makes it slow enough to lose half of them here.)
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="battery")
    client.username_pw_set(SENSOR_USER, broker.sensor_password)
    client.max_inflight_messages_set(1000)
    client.connect("127.0.0.1", broker.address.port)
    client.loop_start()
    under_way = [client.publish(TOPIC, payload(clock, n), qos=1) for n in range(600)]
    for message in under_way:
        message.wait_for_publish(30)
    client.disconnect()
    client.loop_stop()
    assert all(message.is_published() for message in under_way)
    eventually(lambda: intake.health()["recorded"] == 600, 15)
    assert kept(database) == 600


def test_while_nobody_listens_readings_wait(broker, intake, database, clock, data_folder):
    intake.stop()
    sent = publish(broker, *[payload(clock, n) for n in range(40)], password=broker.sensor_password)
    assert sent.returncode == 0
    again = Intake(
        broker.address, database, clock, data_folder,
        on_recorded=nobody, mqtt5=False,
    )  # fmt: skip
    again.start()
    eventually(lambda: again.health()["recorded"] == 40)
    again.stop()


def test_a_client_that_asks_for_mqtt_5_falls_back(broker, database, clock, data_folder):
    # The broker neither accepts nor refuses MQTT 5: after a few seconds 3.1.1 is tried.
    intake = Intake(broker.address, database, clock, data_folder, on_recorded=nobody)
    intake.start()
    assert intake.wait_connected(15), intake.health()
    publish(broker, payload(clock), password=broker.sensor_password)
    eventually(lambda: intake.health()["recorded"] == 1)
    intake.stop()


def test_visitors_who_say_nothing_leave_no_open_socket(broker):
    def open_files() -> int:
        return len(list(Path("/proc/self/fd").iterdir()))

    before = open_files()
    for _ in range(50):
        with socket.create_connection(("127.0.0.1", broker.address.port)) as visitor:
            visitor.send(b"GET / HTTP/1.0\r\n\r\n")
    eventually(lambda: open_files() <= before)


def test_passwords_are_kept_and_private(data_folder):
    first, second = (EmbeddedBroker(data_folder, free_port()) for _ in range(2))
    assert first.sensor_password == second.sensor_password
    assert first.service_password != first.sensor_password
    assert len(first.sensor_password) >= 20
    for file in (data_folder / "broker").iterdir():
        assert stat.S_IMODE(file.stat().st_mode) == 0o600, file
    assert stat.S_IMODE((data_folder / "broker").stat().st_mode) == 0o700
    assert first.sensor_password not in repr(first.address)


def test_a_taken_port_is_said_and_the_next_one_found(data_folder):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(BrokerError, match=rf"MQTT port {port} .*BOOTHGLASS_MQTT_PORT"):
            EmbeddedBroker(data_folder, port).start()
        assert usable_port(port) > port


def test_stopped_it_lets_go_of_its_port(data_folder):
    port = free_port()
    for _ in range(2):
        broker = EmbeddedBroker(data_folder, port)
        broker.start()
        broker.stop()
        with socket.socket() as probe:
            assert probe.connect_ex(("127.0.0.1", port)) != 0


def test_listening_on_loopback_unless_told(data_folder):
    quiet = EmbeddedBroker(data_folder, free_port())
    assert quiet._config()["listeners"]["default"]["bind"].startswith("127.0.0.1:")
    open_to_all = EmbeddedBroker(data_folder, free_port(), lan=True)
    assert open_to_all._config()["listeners"]["default"]["bind"].startswith("0.0.0.0:")
