"""One subscriber as a process of its own: ``python drain.py WAY URL FOLDER COUNT``.

It prints a line when its session stands at the broker, and one with figures: seconds from the first
message to the last, counted or committed and acknowledged; processor seconds meanwhile; and for the
intake the seconds until everything was assessed and rolled up too. With a COUNT of 0 it only makes
its session.
"""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from service.settings import MqttAddress, parse_mqtt_url

PLAIN = {"plain": mqtt.MQTTv311, "plain5": mqtt.MQTTv5}


class Watch:
    """From the first message to the last."""

    def __init__(self, count: int) -> None:
        self.left, self.ended = count, threading.Event()
        self.began: tuple[float, float] | None = None
        self.figures: list[float] = []

    def begin(self) -> None:
        if self.began is None:
            self.began = time.perf_counter(), time.process_time()

    def landed(self, number: int) -> None:
        self.left -= number
        if self.left <= 0:
            self.stop()
            self.ended.set()

    def stop(self) -> None:
        assert self.began is not None
        wall, processor = self.began
        self.figures += [time.perf_counter() - wall, time.process_time() - processor]


def plain(address: MqttAddress, watch: Watch, way: str) -> Callable[[], object]:
    """A subscriber that does nothing but count; returns how to hang up."""
    protocol = PLAIN[way]
    five = protocol == mqtt.MQTTv5
    client = mqtt.Client(
        CallbackAPIVersion.VERSION2,
        client_id=way,
        clean_session=None if five else False,
        protocol=protocol,
    )
    client.username_pw_set(address.user, address.password)
    terms = {}
    if five:
        properties = Properties(PacketTypes.CONNECT)
        properties.SessionExpiryInterval = 0xFFFFFFFF
        terms = {"clean_start": False, "properties": properties}

    def on_message(*_: object) -> None:
        watch.begin()
        watch.landed(1)

    stands = threading.Event()
    client.on_connect = lambda *_: client.subscribe("boothglass/+/+", 1)
    client.on_subscribe = lambda *_: stands.set()
    client.on_message = on_message
    client.connect(address.host, address.port, **terms)
    client.loop_start()
    assert stands.wait(10)

    def stop() -> None:
        client.disconnect()
        client.loop_stop()

    return stop


def ours(address: MqttAddress, watch: Watch, folder: Path) -> Callable[[], object]:
    """The intake, with the settler beside it as in the service."""
    from service.clock import WallClock
    from service.intake.client import Intake
    from service.intake.settler import Settler
    from service.store.db import Database, sqlite_url
    from service.store.readings import Recorded
    from service.store.settling import unsettled_hours

    database = Database(sqlite_url(folder))
    database.upgrade()
    settler = Settler.of_one(database, on_settled=lambda _place: None, busy=lambda: intake.flooded)

    def told(recorded: Recorded) -> None:
        settler.wake()
        watch.landed(recorded.new)

    intake = Intake(address, database, WallClock(), folder, on_recorded=told)
    offer = intake._connection._offer

    def first(*arguments) -> bool:
        watch.begin()
        intake._connection._offer = offer
        return offer(*arguments)

    intake._connection._offer = first
    settler.start()
    intake.start()
    assert intake.wait_connected(10)

    def left() -> int:
        with database.read() as session:
            return unsettled_hours(session)

    def stop() -> None:
        if watch.began is not None:
            while left():
                time.sleep(0.05)
            watch.figures.append(time.perf_counter() - watch.began[0])
        intake.stop()
        settler.stop()

    return stop


def main() -> None:
    way, url, folder, count = sys.argv[1], sys.argv[2], Path(sys.argv[3]), int(sys.argv[4])
    address, watch = parse_mqtt_url(url), Watch(count)
    stop = plain(address, watch, way) if way in PLAIN else ours(address, watch, folder)
    print("stands", flush=True)
    if count:
        assert watch.ended.wait(120)
    stop()
    print(*watch.figures, flush=True)


if __name__ == "__main__":
    main()
