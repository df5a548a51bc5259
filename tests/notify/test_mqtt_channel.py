"""A person's messages over a broker that is not ours, heard by a listener."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from counterparts import message
from equipment import PASSWORD, USER, Mosquitto, SetClock, eventually
from paho.mqtt.enums import CallbackAPIVersion

from sensors import payloads
from service.notify.channels import Later
from service.notify.channels.mqtt import Mqtt
from service.notify.mqtt import NoticePublisher, Outlet
from service.store.catalogue import load_catalogue
from service.store.db import Database
from service.store.desk import Desk, ShopFacts
from service.store.notice_book import NoticeBook


@pytest.fixture
def publisher(
    mosquitto: Mosquitto, database: Database, clock: SetClock
) -> Iterator[NoticePublisher]:
    catalogue = load_catalogue()
    desk = Desk(database, clock, catalogue, ShopFacts(600, 0, 180))
    outlet = Outlet(mosquitto.address)
    outlet.start()
    eventually(lambda: outlet.open, what="connected")
    yield NoticePublisher(outlet, NoticeBook(database, clock, catalogue, desk))
    outlet.stop()


@pytest.mark.real
def test_a_message_arrives_under_a_topic_of_the_persons_own(
    mosquitto: Mosquitto, publisher: NoticePublisher
) -> None:
    sender = Mqtt(publisher.publish)
    config = sender.check({"topic": "ana"})
    assert config == {"topic": "boothglass/people/ana/notices"}
    heard: list[dict[str, Any]] = []
    ready = threading.Event()
    listener = mqtt.Client(CallbackAPIVersion.VERSION2)
    listener.username_pw_set(USER, PASSWORD)
    listener.on_subscribe = lambda *_: ready.set()
    listener.on_message = lambda _client, _data, got: heard.append(json.loads(got.payload))
    listener.connect("127.0.0.1", mosquitto.port)
    listener.loop_start()
    try:
        listener.subscribe("boothglass/people/+/notices")
        assert ready.wait(10)
        sender.send(config, message())
        eventually(lambda: heard, what="heard")
    finally:
        listener.disconnect()
        listener.loop_stop()
    assert heard[0]["id"] == message().once
    assert heard[0]["data"]["title"] == "3 pieces ready to scuff"
    mosquitto.stop()
    eventually(lambda: not publisher._outlet.open, what="disconnected")
    with pytest.raises(Later):
        sender.send(config, message())


def test_a_topic_is_made_where_none_is_given_and_never_that_of_a_reading() -> None:
    sender = Mqtt(lambda *_: True)
    made = [sender.check({})["topic"] for _ in range(2)]
    assert made[0] != made[1]
    for topic in made:
        assert sender.check({"topic": topic}) == {"topic": topic}
        assert payloads.is_own(topic)
        assert not mqtt.topic_matches_sub(payloads.TOPIC_FILTER, topic)


@pytest.mark.parametrize("topic", ["a/b", "a b", "#", "+", "$SYS", "é" * 65, "boothglass/booth/t1"])
def test_a_topic_that_cannot_be_is_named(topic: str) -> None:
    with pytest.raises(ValueError, match=r"^topic: "):
        Mqtt(lambda *_: True).check({"topic": topic})
