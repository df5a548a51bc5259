"""A sensor gone over to the enemy, on each broker: it may say what it likes of itself, and no more.

It has a key of its own, comes in over TLS, and speaks MQTT as well as it must. What it tries is
measured by what the service keeps, and by what others lose.
"""

from __future__ import annotations

import contextlib
import json
import socket
import ssl
import struct
import threading
import time
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from brokers import HOST, EmbeddedRig, MosquittoRig, Rig, Visitor
from equipment import SetClock, eventually
from sqlmodel import select

from sensors.payloads import MAX_PAYLOAD_BYTES, encode
from service.intake.client import Intake
from service.store.readings import Recorded
from service.store.tables import Reading, Reject, Sensor

pytestmark = pytest.mark.real

WALL, EVIL = "boothglass/booth/wall", "boothglass/booth/evil"


def nobody(_recorded: Recorded) -> None:
    """Nobody listens to what was recorded."""


@pytest.fixture(params=[EmbeddedRig, MosquittoRig], ids=["embedded", "mosquitto"])
def rig(request, tmp_path: Path, database, clock) -> Iterator[Rig]:
    made: Rig = request.param(tmp_path / "broker", database, clock)
    made.start()
    yield made
    made.stop()


@pytest.fixture
def intake(rig, database, clock, data_folder) -> Iterator[Intake]:
    made = _intake(rig, database, clock, data_folder)
    yield made
    made.stop()


def _intake(rig, database, clock, data_folder) -> Intake:
    made = Intake(
        rig.address, database, clock, data_folder, on_recorded=nobody, mqtt5=rig.mqtt5
    )  # fmt: skip
    made.start()
    assert made.wait_connected(15), made.health()
    return made


@pytest.fixture
def wall(rig, intake) -> Iterator[Visitor]:
    """A good sensor."""
    key = rig.key("booth", "wall")
    made = Visitor(rig, key.user, key.secret)
    assert made.came_in, made.reason
    yield made
    made.leave()


@pytest.fixture
def evil(rig, intake):
    """Makes a rogue's connections; each has the one key that it was given."""
    key = rig.key("booth", "evil")
    made: list[Visitor] = []

    def come(**how: object) -> Visitor:
        made.append(Visitor(rig, key.user, key.secret, **how))
        return made[-1]

    come.key = key  # type: ignore[attr-defined]
    yield come
    for one in made:
        one.leave()


def payload(clock: SetClock, second: int = 0, air_c: float = 20.0) -> bytes:
    at = clock.now() + timedelta(seconds=second - 7200)
    return encode(at=at, air_c=air_c, rh_pct=50.0)


def readings(database, sensor: str) -> list[Reading]:
    with database.read() as session:
        query = select(Reading).join(Sensor).where(Sensor.name == sensor).order_by(Reading.at)
        return list(session.exec(query).all())


def still_works(wall: Visitor, database, clock, number: int = 3600) -> None:
    """The good sensor is heard as if there were no other."""
    wall.publish(WALL, payload(clock, number))
    at = clock.now() + timedelta(seconds=number - 7200)
    eventually(lambda: any(r.at == at for r in readings(database, "wall")), 20)


def test_each_sensor_is_heard_under_its_own_name(wall, evil, database, clock):
    wall.publish(WALL, payload(clock, 1))
    evil().publish(EVIL, payload(clock, 2))
    eventually(lambda: readings(database, "wall") and readings(database, "evil"))


def test_by_a_wrong_password_or_without_one_nobody_comes_in(rig, wall):
    for user, secret in (("booth.wall", "guess"), ("booth.wall", ""), (None, None), ("", "")):
        assert not Visitor(rig, user, secret).came_in
    for shared in ("sensor", "boothglass"):
        assert not Visitor(rig, shared, rig.address.password).came_in or shared == "boothglass"


def test_the_services_own_password_is_no_key_on_the_sensors_door(rig, intake, database, clock):
    visitor = Visitor(rig, rig.address.user, rig.address.password)
    # The embedded broker takes it on loopback alone, where this test runs; Mosquitto never.
    assert visitor.came_in is isinstance(rig, EmbeddedRig)
    visitor.leave()


@pytest.mark.parametrize(
    "topic",
    [
        WALL, "boothglass/rack/evil", "boothglass/Booth/Wall", "boothglass/notices/ready",
        "boothglass/people/1", "boothglass/$intake/boothglass-0", "boothglass/$forecast",
        "boothglass/booth/evil/x", "hall/w1/state", "boothglass/booth", "$SYS/broker/uptime",
    ],
)  # fmt: skip
def test_under_another_name_it_is_not_heard(topic, rig, wall, evil, intake, database, clock):
    rogue = evil()
    rogue.publish(topic, payload(clock, 5))
    if isinstance(rig, EmbeddedRig):  # Mosquitto acknowledges, and forgets
        eventually(rogue.left.is_set)
        assert not topic.startswith("boothglass") or rig.broker.told_off.lately()
    still_works(wall, database, clock)
    assert [r.at for r in readings(database, "wall")] == [clock.now() - timedelta(seconds=3600)]
    assert readings(database, "evil") == []
    assert intake.health()["received"] == 1


def test_a_name_inside_the_payload_counts_for_nothing(wall, evil, database, clock):
    at = (clock.now() - timedelta(seconds=100)).timestamp()
    said = {"air_c": 20, "rh_pct": 50, "place": "booth", "sensor": "wall", "at": at}
    senml = [
        {"bn": "boothglass/booth/wall/", "bt": at + 1, "n": "air", "v": 20, "u": "Cel"},
        {"n": "rh", "v": 50, "u": "%RH"},
    ]
    evil().publish(EVIL, json.dumps(said).encode(), json.dumps(senml).encode())
    eventually(lambda: len(readings(database, "evil")) == 2)
    assert readings(database, "wall") == []


@pytest.mark.parametrize("filters", [
    ["#"], ["+/#"], ["boothglass/#"], ["boothglass/+/+"], [WALL], ["boothglass/booth/+"],
    ["$share/thief/boothglass/+/+"], ["$share/thief/#"], ["$SYS/#"],
    ["boothglass/notices/#"], ["boothglass/people/+"],
])  # fmt: skip
def test_it_reads_nothing_of_others(filters, rig, wall, evil, intake, database, clock):
    rogue = evil()
    rogue.subscribe(*filters)
    wall.publish(WALL, *(payload(clock, n) for n in range(20)))
    wall.publish(WALL, payload(clock, 30), retain=True)
    late = evil()  # what is retained is sent to who comes later
    late.subscribe(*filters)
    eventually(lambda: len(readings(database, "wall")) == 21)
    time.sleep(0.5)
    assert rogue.heard == late.heard == []


def test_a_shared_subscription_takes_nothing_away_from_the_service(wall, evil, database, clock):
    rogue = evil(clean=False, client_id="thief")
    for group in ("a", "b", "boothglass"):
        rogue.subscribe(f"$share/{group}/boothglass/+/+")
    wall.publish(WALL, *(payload(clock, n) for n in range(200)))
    eventually(lambda: len(readings(database, "wall")) == 200)


def test_a_will_speaks_for_nobody_else(wall, evil, intake, database, clock):
    for retain in (False, True):
        evil(will=(WALL, payload(clock, 5, 55.0), retain)).drop()
        evil(will=("boothglass/notices/ready", b'{"text": "spray"}', retain)).drop()
    evil(will=(EVIL, payload(clock, 6), False)).drop()
    eventually(lambda: len(readings(database, "evil")) == 1, 60)
    still_works(wall, database, clock)
    assert len(readings(database, "wall")) == 1


def test_what_it_leaves_behind_is_no_air_of_now(
    rig, wall, evil, intake, database, clock, data_folder
):
    """Retained messages: its own may be sent again for ever, others' topics stay free of it."""
    rogue = evil()
    rogue.publish(EVIL, json.dumps({"air_c": 21, "rh_pct": 5}).encode(), retain=True)
    eventually(lambda: len(readings(database, "evil")) == 1)
    evil().publish(WALL, json.dumps({"air_c": 21, "rh_pct": 5}).encode(), retain=True)
    intake.stop()
    (data_folder / "mqtt-client-id").unlink()  # a new session is sent all that is retained
    clock.advance(hours=1)
    again = _intake(rig, database, clock, data_folder)
    wall.publish(WALL, payload(clock, 0))
    eventually(lambda: len(readings(database, "wall")) == 1)
    again.stop()
    assert len(readings(database, "evil")) == 1  # of unknown age the second time: refused
    with database.read() as session:
        told = session.exec(select(Reject)).all()
    assert [(reject.topic, reject.field) for reject in told] == [(EVIL, "at")]


@pytest.mark.parametrize("clean", [True, False])
@pytest.mark.parametrize("protocol", [mqtt.MQTTv311, mqtt.MQTTv5])
def test_it_takes_over_nobodys_session(
    clean, protocol, rig, evil, intake, database, clock, data_folder
):
    """By the client id of the service, or of another sensor."""
    if protocol == mqtt.MQTTv5 and isinstance(rig, EmbeddedRig):
        pytest.skip("the embedded broker speaks 3.1.1")
    key = rig.key("booth", "wall")
    wall = Visitor(rig, key.user, key.secret, client_id="board-1", clean=False)
    service_id = (data_folder / "mqtt-client-id").read_text()
    for name in (service_id, "board-1", key.user, "key/booth.wall", f"service/{service_id}"):
        rogue = evil(client_id=name, clean=clean, protocol=protocol)
        rogue.publish(EVIL, payload(clock, 1))
        assert not wall.left.is_set(), name
        assert intake.health()["reconnects"] == 0, name
    still_works(wall, database, clock)
    wall.leave()


def test_while_the_service_is_away_its_session_is_not_emptied(
    rig, wall, evil, intake, database, clock, data_folder
):
    service_id = (data_folder / "mqtt-client-id").read_text()
    intake.stop()
    wall.publish(WALL, *(payload(clock, n) for n in range(30)))
    for clean in (True, False):
        evil(client_id=service_id, clean=clean).subscribe("#")
    again = _intake(rig, database, clock, data_folder)
    eventually(lambda: len(readings(database, "wall")) == 30)
    again.stop()


def test_without_any_key_nobody_ends_a_session_either(
    rig, wall, intake, database, clock, data_folder
):
    service_id = (data_folder / "mqtt-client-id").read_text()
    for name in (service_id, f"service/{service_id}", "key/booth.wall", "booth.wall"):
        for user, secret in ((None, None), ("booth.wall", "guess"), ("boothglass", "guess")):
            for clean in (True, False):
                assert not Visitor(rig, user, secret, client_id=name, clean=clean).came_in
    assert not wall.left.is_set()
    assert intake.health()["reconnects"] == 0
    still_works(wall, database, clock)


@pytest.mark.parametrize("size", [MAX_PAYLOAD_BYTES + 1, 200_000, 5_000_000])
def test_a_huge_payload_harms_nobody(size, wall, evil, database, clock):
    evil().publish(EVIL, b"x" * size)
    still_works(wall, database, clock)
    assert readings(database, "evil") == []


def test_a_packet_that_only_announces_its_size_takes_no_memory(rig, wall, evil, database, clock):
    """A fixed header of 256 MB, and then nothing for as long as it pleases."""
    wires = []
    for _ in range(5):
        wire = _raw(rig, evil.key.user, evil.key.secret)
        wire.sendall(b"\x32\xff\xff\xff\x7f" + struct.pack(">H", len(EVIL)) + EVIL.encode())
        wires.append(wire)
    still_works(wall, database, clock)
    for wire in wires:
        wire.close()


@pytest.mark.parametrize("nonsense", [
    b"", b"{", b"\xff\xfe\x00", b"[" * 30_000, b'{"air_c": 1e999, "rh_pct": 50}',
    b'{"air_c": "NaN", "rh_pct": 50}', b'{"air_c": 20, "rh_pct": 50, "at": 1e18}',
    b'{"air_c": 20, "air_c": 21, "rh_pct": 50}', b"null", b"[]", b"0" * 5000,
])  # fmt: skip
def test_a_malformed_payload_harms_nobody(nonsense, wall, evil, database, clock):
    rogue = evil()
    rogue.publish(EVIL, *[nonsense] * 5)
    still_works(wall, database, clock)
    assert readings(database, "evil") == []


@pytest.mark.parametrize("bytes_", [
    b"GET / HTTP/1.1\r\n\r\n", b"\x10\x00", b"\xf0\x00", b"\x00" * 64, b"\x10\xff\xff\xff\xff\x7f",
    b"\x32\x02\x00\xff", b"\x82\x02\x00\x01", b"\xc0\x7f" + b"\x30\x03\x00\x01a" * 25,
    b"\x30\x05\x00\x03\xff\xfe\xfdx", b"\x62\x02\x00\x01", b"\x10\x0c\x00\x04MQTT\x04\x02\x00\x3c",
])  # fmt: skip
def test_bytes_that_are_no_mqtt_harm_nobody(bytes_, rig, wall, evil, database, clock):
    for greet in (False, True):
        wire = _raw(rig, evil.key.user, evil.key.secret, greet=greet)
        wire.sendall(bytes_)
        still_works(wall, database, clock, 3600 + greet)
        wire.close()
    assert len(readings(database, "wall")) == 2


def test_visitors_who_never_say_who_they_are_keep_nobody_out(rig, wall, evil, database, clock):
    wires = [_raw(rig, "", "", greet=False) for _ in range(60)]
    still_works(wall, database, clock)
    assert evil().came_in
    for wire in wires:
        wire.close()


@pytest.mark.parametrize("qos", [0, 1])
def test_a_flood_costs_others_nothing(qos, rig, wall, evil, intake, database, clock):
    """Four seconds of as much as a wire takes; the others' readings come, all and in order."""
    ended, sent = threading.Event(), 0
    wire = _raw(rig, evil.key.user, evil.key.secret)

    def flood() -> None:
        nonlocal sent
        while not ended.is_set():
            # A minute's worth of readings again and again: what lands twice lands once.
            many = (_publish(EVIL, payload(clock, n % 60), qos, n % 60_000 + 1) for n in range(500))
            try:
                wire.sendall(b"".join(many))
            except OSError:  # held back, and no longer than its patience
                return
            sent += 500

    def swallow() -> None:
        with contextlib.suppress(OSError):
            while wire.recv(65536):
                pass

    threads = [threading.Thread(target=work, daemon=True) for work in (flood, swallow)]
    for thread in threads:
        thread.start()
    for number in range(40):
        wall.publish(WALL, payload(clock, number))
        time.sleep(0.1)
    ended.set()
    eventually(lambda: len(readings(database, "wall")) == 40, 120, "all of the good sensor's")
    wire.close()
    assert sent > 1000
    kept = readings(database, "wall")
    assert [r.received_at for r in kept] == sorted(r.received_at for r in kept)
    with database.read() as session:
        assert not session.exec(select(Reject).where(Reject.topic == WALL)).all()
    print(f"\nflood: {sent} sent, {intake.health()['received']} received, 0 of 40 lost")


def test_a_key_that_has_ended_lets_nobody_in_and_whoever_is_in_has_to_go(
    rig, wall, evil, database, clock
):
    rogue = evil()
    assert rogue.came_in
    rig.keys.end(evil.key.user)
    rig.refresh()
    eventually(rogue.left.is_set)
    assert not evil().came_in
    assert not wall.left.is_set()
    still_works(wall, database, clock)


def test_a_new_key_ends_the_old_one(rig, wall, evil):
    rogue = evil()
    renewed = rig.key("booth", "evil")
    eventually(rogue.left.is_set)
    assert not evil().came_in
    again = Visitor(rig, renewed.user, renewed.secret)
    assert again.came_in
    again.leave()


def test_a_device_with_topics_of_its_own_has_those_and_no_others(rig, intake, database, clock):
    key = rig.key(
        "", "hall", topics=("hall/w1/#", "boothglass/$forecast"), reads=("boothglass/notices/#",)
    )
    reader = Visitor(rig, key.user, key.secret)
    reader.subscribe("boothglass/notices/#", "boothglass/+/+", "#")
    own = Visitor(rig, *_service(rig)) if isinstance(rig, EmbeddedRig) else None
    wall = rig.key("booth", "wall")
    good = Visitor(rig, wall.user, wall.secret)
    good.publish(WALL, payload(clock, 1))
    eventually(lambda: readings(database, "wall"))
    if own is not None:
        own.publish("boothglass/notices/ready", b"{}")
        eventually(lambda: reader.heard == [("boothglass/notices/ready", b"{}")])
        own.leave()
    assert all(topic.startswith("boothglass/notices/") for topic, _ in reader.heard)
    reader.publish("hall/w1/state", b"1")
    assert not reader.left.is_set()
    reader.publish(WALL, payload(clock, 2))
    good.publish(WALL, payload(clock, 3))
    eventually(lambda: len(readings(database, "wall")) == 2)
    reader.leave()
    good.leave()


def test_who_knows_another_authority_does_not_come_in(rig, tmp_path):
    other = ssl.create_default_context()  # the machine's own, which has never heard of ours
    with (
        pytest.raises(ssl.SSLCertVerificationError),
        socket.create_connection((HOST, rig.port)) as wire,
    ):
        other.wrap_socket(wire, server_hostname=HOST)
    known = ssl.create_default_context(cafile=str(rig.ca))
    plain = socket.create_connection((HOST, rig.port))
    with known.wrap_socket(plain, server_hostname=HOST) as wire:
        assert wire.version() in {"TLSv1.2", "TLSv1.3"}


def _publish(topic: str, said: bytes, qos: int, number: int) -> bytes:
    """A PUBLISH packet by hand (MQTT 3.1.1, section 3.3)."""
    body = struct.pack(">H", len(topic)) + topic.encode()
    body += struct.pack(">H", number) if qos else b""
    body += said
    assert len(body) < 16_384
    length = (
        bytes([len(body) & 0x7F | 0x80, len(body) >> 7]) if len(body) > 127 else bytes([len(body)])
    )
    return bytes([0x30 | qos << 1]) + length + body


def _service(rig: Rig) -> tuple[str, str]:
    return str(rig.address.user), str(rig.address.password)


def _raw(rig: Rig, user: str, secret: str, *, greet: bool = True) -> ssl.SSLSocket:
    """A TLS connection, by hand; with ``greet`` let in by its key (MQTT 3.1.1, section 3.1)."""
    plain = socket.create_connection((HOST, rig.port), timeout=10)
    wire = ssl.create_default_context(cafile=str(rig.ca)).wrap_socket(plain, server_hostname=HOST)
    if greet:

        def text(said: str) -> bytes:
            return struct.pack(">H", len(said)) + said.encode()

        body = text("MQTT") + b"\x04\xc2\x00\x3c" + text("raw") + text(user) + text(secret)
        wire.sendall(bytes([0x10, len(body)]) + body)
        assert wire.recv(4)[:1] == b"\x20"
    return wire
