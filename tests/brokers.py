"""Both brokers as a shop runs them, with keys, TLS and rights; and clients that may be rogues."""

from __future__ import annotations

import ssl
import threading
import time
from datetime import UTC, datetime
from pathlib import Path

import paho.mqtt.client as mqtt
from equipment import Mosquitto, free_port
from paho.mqtt.enums import CallbackAPIVersion

from service.certificates import CA_FILE, renew, server_context
from service.clock import Clock
from service.intake.broker import EmbeddedBroker, TlsDoor
from service.intake.mosquitto import CONF, Ports, write_files
from service.settings import MqttAddress
from service.store.db import Database
from service.store.sensor_keys import NewKey, SensorKeys, Wanted

HOST = "127.0.0.1"
SERVICE_SECRET = "the service's own secret"


class Rig:
    """A broker whose sensors come in by keys, over TLS."""

    mqtt5 = True

    def __init__(self, folder: Path, database: Database, clock: Clock) -> None:
        self.folder = folder
        self.certificates = folder / "certificates"
        renew(self.certificates, [HOST], datetime.now(UTC))
        self.ca = self.certificates / CA_FILE
        self.port = free_port()
        self.keys = SensorKeys(database, clock)

    @property
    def address(self) -> MqttAddress:
        """Where the service connects."""
        raise NotImplementedError

    def key(self, place: str = "booth", sensor: str = "wall", **more: tuple[str, ...]) -> NewKey:
        """Give a sensor a key that works at once."""
        made = self.keys.make(Wanted(place, sensor, **more))
        self.refresh()
        return made

    def refresh(self) -> None:
        raise NotImplementedError

    def start(self) -> None:
        raise NotImplementedError

    def stop(self) -> None:
        raise NotImplementedError


class EmbeddedRig(Rig):
    """The embedded broker."""

    mqtt5 = False

    def __init__(self, folder: Path, database: Database, clock: Clock) -> None:
        super().__init__(folder, database, clock)
        self.broker = EmbeddedBroker(
            folder,
            free_port(),
            keys=self.keys.live,
            sensors_open=False,
            tls=TlsDoor(self.port, server_context(self.certificates)),
        )

    @property
    def address(self) -> MqttAddress:
        return self.broker.address

    def refresh(self) -> None:
        self.broker.refresh()

    def start(self) -> None:
        self.broker.start()

    def stop(self) -> None:
        self.broker.stop()


class GeneratedMosquitto(Mosquitto):
    """A Mosquitto that is told by our files alone where it listens, and whom it lets in."""

    def __init__(self, folder: Path, conf: Path, port: int) -> None:
        super().__init__(folder)
        self.port = port
        lines = [conf.read_text(), f"persistence_location {folder}/", f"log_dest file {self.log}"]
        lines += [line for line in self.config.read_text().splitlines() if line == "user root"]
        self.config.write_text("\n".join(lines) + "\n")


class MosquittoRig(Rig):
    """Mosquitto with the files that are written for it."""

    def __init__(self, folder: Path, database: Database, clock: Clock) -> None:
        super().__init__(folder, database, clock)
        self.files = folder / "files"
        self.service_port = free_port()
        self.write()
        self.broker = GeneratedMosquitto(folder / "mosquitto", self.files / CONF, self.service_port)

    @property
    def address(self) -> MqttAddress:
        return MqttAddress(HOST, self.service_port, "boothglass", SERVICE_SECRET, tls=False)

    def write(self) -> bool:
        ports = Ports(sensors=self.port, service=self.service_port)
        return write_files(
            self.files, self.keys.for_broker(), SERVICE_SECRET, ports, self.certificates
        )

    def refresh(self) -> None:
        self.write()
        self.broker.reload()

    def start(self) -> None:
        self.broker.start()

    def stop(self) -> None:
        self.broker.stop()


class Visitor:
    """A client that is not ours: a good sensor or a rogue."""

    def __init__(
        self,
        rig: Rig,
        user: str | None,
        secret: str | None,
        *,
        client_id: str = "",
        clean: bool = True,
        will: tuple[str, bytes, bool] | None = None,
        protocol: int = mqtt.MQTTv311,
    ) -> None:
        self.heard: list[tuple[str, bytes]] = []
        self.granted: list[list[int]] = []
        self.reason: str | None = None
        self.left = threading.Event()
        self._answered = threading.Event()
        five = protocol == mqtt.MQTTv5
        self.client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=client_id,
            clean_session=None if five else clean,
            protocol=protocol,
            reconnect_on_failure=False,
        )
        if user is not None:
            self.client.username_pw_set(user, secret)
        if will is not None:
            self.client.will_set(will[0], will[1], qos=1, retain=will[2])
        self.client.tls_set(str(rig.ca), tls_version=ssl.PROTOCOL_TLS_CLIENT)
        self.client.max_inflight_messages_set(1000)
        self.client.on_message = lambda _c, _d, m: self.heard.append((m.topic, m.payload))
        self.client.on_connect = self._on_connect
        self.client.on_disconnect = lambda *_: self.left.set()
        self.client.on_subscribe = lambda _c, _d, _m, reasons, _p: self.granted.append(
            [reason.value for reason in reasons]
        )
        self.client.connect(HOST, rig.port, keepalive=30)
        self.client.loop_start()
        self._answered.wait(10)

    @property
    def came_in(self) -> bool:
        return self.reason == "Success"

    def publish(self, topic: str, *payloads: bytes, qos: int = 1, retain: bool = False) -> None:
        """Publish; a broker that hangs up on it is no error here."""
        sent = [self.client.publish(topic, payload, qos, retain) for payload in payloads]
        until = time.monotonic() + 30
        for one in sent:
            while not self.left.is_set() and not _taken(one):
                assert time.monotonic() < until, "not acknowledged within 30 s"
                time.sleep(0.005)

    def subscribe(self, *filters: str) -> None:
        """Ask for filters, and wait for the answer."""
        before = len(self.granted)
        self.client.subscribe([(one, 1) for one in filters])
        until = time.monotonic() + 5
        while len(self.granted) == before and not self.left.is_set():
            assert time.monotonic() < until, "no answer to a subscription"
            time.sleep(0.01)

    def drop(self) -> None:
        """Break off without a word, so that the will is sent."""
        wire = self.client.socket()
        self.client.loop_stop()
        if wire is not None:
            wire.close()

    def leave(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()

    def _on_connect(self, *arguments: object) -> None:
        self.reason = str(arguments[3])
        self._answered.set()


def _taken(one: mqtt.MQTTMessageInfo) -> bool:
    """Whether a message was acknowledged; where the connection has ended paho raises instead."""
    try:
        return one.is_published()
    except RuntimeError:
        return False
