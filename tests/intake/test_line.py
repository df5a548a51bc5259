"""The line against a real Mosquitto: the quick way and the usual one tell the same."""

from __future__ import annotations

import os
import resource
import subprocess
import threading

import paho.mqtt.client as mqtt
import pytest
from equipment import PASSWORD, USER, command, eventually
from paho.mqtt.enums import MQTTProtocolVersion

from service.intake.line import Line, Message

pytestmark = pytest.mark.real

TOPIC = "boothglass/booth/wall"


class Listener:
    """A line that is driven until it is told to end."""

    def __init__(self, broker, protocol: MQTTProtocolVersion) -> None:
        self.heard: list[Message] = []
        self.the_usual_way = 0
        self.ended = threading.Event()
        self._stands = threading.Event()
        self.line = Line("listener", protocol, self.heard.append, self.ended)
        client = self.line.client
        usual = client.on_message

        def counted(*arguments) -> None:
            self.the_usual_way += 1
            usual(*arguments)

        client.on_message = counted
        client.username_pw_set(USER, PASSWORD)
        client.on_connect = lambda *_: client.subscribe("boothglass/#", 1)
        client.on_subscribe = lambda *_: self._stands.set()
        client.on_disconnect = lambda *_: self.ended.set()
        client.connect("127.0.0.1", broker.port)
        self.thread = threading.Thread(target=self._drive)
        self.thread.start()
        assert self._stands.wait(20)

    def _drive(self) -> None:
        while not self.ended.is_set():
            self.line.turn(0.5)

    def stop(self) -> None:
        self.ended.set()
        self.line.ring()
        self.thread.join()
        self.line.hang_up()


@pytest.fixture(params=[mqtt.MQTTv5, mqtt.MQTTv311], ids=["5", "3.1.1"])
def listener(request, mosquitto):
    made = Listener(mosquitto, request.param)
    yield made
    made.stop()


def test_a_usual_message_takes_the_quick_way(mosquitto, listener):
    # paho calls what we put in its place; a version that does not would still be heard, but slower.
    mosquitto.publish(TOPIC, "one", "two", "")
    eventually(lambda: len(listener.heard) == 3, 20)
    assert [bytes(m.payload) for m in listener.heard] == [b"one", b"two", b""]
    assert {(m.topic, m.qos, m.retained) for m in listener.heard} == {(TOPIC, 1, False)}
    assert len({m.mid for m in listener.heard}) == 3
    assert listener.the_usual_way == 0


def test_qos_0_and_what_has_properties_take_the_usual_way(mosquitto, listener):
    mosquitto.publish(TOPIC, "zero", qos=0)
    eventually(lambda: len(listener.heard) == 1, 20)
    how = [command("mosquitto_pub"), "-h", "127.0.0.1", "-p", str(mosquitto.port), "-V", "5"]
    how += ["-u", USER, "-P", PASSWORD, "-q", "1", "-t", TOPIC, "-m", "with properties"]
    subprocess.run([*how, "-D", "PUBLISH", "content-type", "text"], check=True, timeout=20)
    eventually(lambda: len(listener.heard) == 2, 20)
    zero, with_properties = listener.heard
    assert (bytes(zero.payload), zero.qos) == (b"zero", 0)
    assert (bytes(with_properties.payload), with_properties.qos) == (b"with properties", 1)
    assert listener.the_usual_way >= 1


def test_a_retained_message_says_so(mosquitto):
    mosquitto.publish(TOPIC, "kept", retain=True)
    listener = Listener(mosquitto, mqtt.MQTTv5)
    eventually(lambda: listener.heard, 20)
    listener.stop()
    assert listener.heard[0].retained


def test_what_is_acknowledged_is_not_sent_again_and_the_rest_is(mosquitto):
    listener = Listener(mosquitto, mqtt.MQTTv311)
    mosquitto.publish(TOPIC, *[f"{n}" for n in range(20)])  # as many as are handed on at once
    eventually(lambda: len(listener.heard) == 20, 20)
    for message in listener.heard[:19]:
        listener.line.acknowledge(message.mid, message.qos)
    listener.stop()
    # Who comes back sooner takes the session from a connection that was not read to its end.
    eventually(lambda: mosquitto.told("Client listener disconnected"), 20)
    again = Listener(mosquitto, mqtt.MQTTv311)
    eventually(lambda: again.heard, 20)
    again.stop()
    assert [bytes(m.payload) for m in again.heard] == [b"19"]


def test_a_broker_that_goes_ends_the_line(mosquitto, listener):
    mosquitto.stop()
    assert listener.ended.wait(20)
    mosquitto.start()


def test_a_socket_may_have_a_number_beyond_what_select_can_wait_on(mosquitto):
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (min(3000, hard), hard))
    opened = [os.open(os.devnull, os.O_RDONLY) for _ in range(1100)]
    try:
        listener = Listener(mosquitto, mqtt.MQTTv5)
        mosquitto.publish(TOPIC, "one", "two")
        eventually(lambda: len(listener.heard) == 2, 20)
        listener.stop()
    finally:
        for number in opened:
            os.close(number)
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
