"""Listening to everything a real broker carries: bounded, leaving out what is read already."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator

import pytest
from equipment import USER, Mosquitto, SetClock, eventually, free_port

from sensors.proposal import ListenError, Overheard, propose
from service.intake import listening
from service.intake.broker import EmbeddedBroker
from service.intake.listening import Listener
from service.settings import MqttAddress

pytestmark = pytest.mark.real

AIR = {"temperature": 21.4, "humidity": 47}


def nothing_known(_topic: str) -> bool:
    return False


def wait_for(listener: Listener, state: str) -> Overheard:
    eventually(lambda: listener.overheard().state == state, 15, state)
    return listener.overheard()


def wait_topics(listener: Listener, count: int) -> None:
    eventually(lambda: len(listener.overheard().topics) >= count, 10, f"{count} topics")


@pytest.fixture
def listener(mosquitto: Mosquitto, clock: SetClock) -> Iterator[Listener]:
    made = Listener(mosquitto.address, clock)
    yield made
    made.stop()


def begin(listener: Listener, mosquitto: Mosquitto, seconds: int = 30, **how) -> None:
    listener.start(seconds, how.get("known", nothing_known))
    sent = iter(range(10**6))

    def heard() -> bool:
        mosquitto.publish("probe/x", str(next(sent)))
        return bool(listener.overheard().topics)

    eventually(heard, what="it hears")


def test_what_nothing_reads_yet_is_heard_and_proposed(listener, mosquitto, clock):
    begin(listener, mosquitto, known=lambda topic: topic.startswith("hall/"))
    mosquitto.publish("attic/k1/state", AIR)
    mosquitto.publish("attic/k1/state", AIR | {"humidity": 48})
    mosquitto.publish("boothglass/booth/wall", {"air_c": 21, "rh_pct": 47})
    mosquitto.publish("hall/a", AIR)
    mosquitto.publish("attic/z", "end")
    wait_topics(listener, 3)
    listener.stop()
    found = wait_for(listener, "done")
    assert [t.topic for t in found.topics] == ["attic/k1/state", "attic/z", "probe/x"]
    first = found.topics[0]
    assert first.count == 2
    assert [json.loads(s)["humidity"] for s in first.samples] == [47, 48]
    assert first.received_at == clock.now()
    (kind,) = propose(found.topics).kinds
    assert kind.topics == ("attic/k1/state",)


def test_it_ends_by_itself_and_says_how_far_it_is(mosquitto, clock):
    told = threading.Event()
    listener = Listener(mosquitto.address, clock, on_change=told.set)
    assert listener.overheard() == Overheard()
    listener.start(1, nothing_known)
    under_way = listener.overheard()
    assert under_way.state == "listening"
    assert 0 < under_way.left_s <= 1
    with pytest.raises(ListenError, match="under way"):
        listener.start(1, nothing_known)
    assert wait_for(listener, "done").problem is None
    assert told.wait(5)
    listener.start(1, nothing_known)  # and again
    listener.stop()


@pytest.mark.parametrize("seconds", [0, -1, 601])
def test_for_how_long_is_bounded(listener, seconds):
    with pytest.raises(ListenError, match="seconds"):
        listener.start(seconds, nothing_known)


def test_topics_samples_and_sizes_are_bounded(listener, mosquitto, monkeypatch):
    monkeypatch.setattr(listening, "TOPICS_MOST", 5)
    begin(listener, mosquitto)
    for number in range(10):
        mosquitto.publish(f"many/{number}", "1")
    mosquitto.publish("many/0", "x" * 3000)
    for value in range(5):
        mosquitto.publish("many/0", str(value))
    mosquitto.publish("many/0", "")
    eventually(lambda: any(t.count == 8 for t in listener.overheard().topics))
    found = listener.overheard()
    assert len(found.topics) == 5
    assert found.beyond == 6
    (first,) = [t for t in found.topics if t.topic == "many/0"]
    assert first.samples == (b"2", b"3", b"4")


def test_it_is_forgotten_after_a_while(listener, mosquitto, monkeypatch):
    monkeypatch.setattr(listening, "FORGET_AFTER_S", 0.5)
    begin(listener, mosquitto)
    listener.stop()
    assert listener.overheard().topics
    eventually(lambda: listener.overheard() == Overheard())


def test_a_wrong_password_is_said(mosquitto, clock):
    address = MqttAddress("127.0.0.1", mosquitto.port, USER, "wr0ng", tls=False)
    listener = Listener(address, clock)
    listener.start(5, nothing_known)
    problem = wait_for(listener, "failed").problem
    assert problem is not None
    assert "refuses" in problem
    assert "wr0ng" not in problem


def test_nobody_at_the_address(clock):
    listener = Listener(MqttAddress("127.0.0.1", free_port(), None, None, tls=False), clock)
    listener.start(5, nothing_known)
    assert "does not answer" in str(wait_for(listener, "failed").problem)


def test_a_broker_that_goes_away_is_said(listener, mosquitto):
    begin(listener, mosquitto)
    mosquitto.stop()
    assert "lost" in str(wait_for(listener, "failed").problem)


@pytest.mark.parametrize("mqtt5", [False, True])
def test_the_embedded_broker(clock, data_folder, mqtt5):
    broker = EmbeddedBroker(data_folder, free_port())
    broker.start()
    listener = Listener(broker.address, clock, mqtt5=mqtt5)
    # Asked for MQTT 5 it gives no answer: after a few seconds 3.1.1 is tried.
    listener.start(20, nothing_known)
    address = broker.address
    eventually(lambda: _heard(listener, address), 15)
    listener.stop()
    assert [t.topic for t in wait_for(listener, "done").topics] == ["attic/k1/state"]
    broker.stop()


def _heard(listener: Listener, address: MqttAddress) -> bool:
    import paho.mqtt.client as mqtt
    from paho.mqtt.enums import CallbackAPIVersion

    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.username_pw_set(address.user, address.password)
    client.connect(address.host, address.port)
    client.loop_start()
    client.publish("attic/k1/state", json.dumps(AIR), qos=1).wait_for_publish(5)
    client.disconnect()
    client.loop_stop()
    return bool(listener.overheard().topics)
