"""The one place that wires the rooms together.

Nothing is made at import: a :class:`Shop` owns the clock, database, broker, intake, timer and web
application of one running service, and starts and stops them in order.
"""

from __future__ import annotations

import logging
import ssl
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

from fastapi import FastAPI

from sensors.node.notify import tell
from service.address import sensor_url
from service.certificates import CertificateError, server_context
from service.clock import Clock, make_clock
from service.intake.broker import EmbeddedBroker, TlsDoor, usable_port
from service.intake.broker_files import write_broker_files
from service.intake.client import Intake
from service.intake.connection import UNDER_WAY_MOST, USUAL_WINDOW
from service.intake.doorkeeper import Doorkeeper, Running
from service.intake.foretold import TOPIC as FORETOLD
from service.intake.foretold import ForecastListener, Foretold
from service.intake.listening import Listener
from service.intake.settler import Settler
from service.jobs import Jobs
from service.memory import give_back
from service.notify.mqtt import NoticePublisher, Outlet
from service.rooms import Rooms
from service.settings import MqttAddress, SettingError, Settings
from service.store.db import Database, database_url
from service.store.readings import Recorded
from service.watch import Watch
from service.web.ready import Ready
from service.web.sensor_door import SensorDoor
from service.web.words import shop_zone

__all__ = ["USUAL_MQTT_PORT", "Shop", "make_clock"]

USUAL_MQTT_PORT = 1883

GIVE_BACK_S = 60.0
"""Real seconds after which freed memory is given back at the latest."""

log = logging.getLogger(__name__)


def _with_broker_port(settings: Settings) -> Settings:
    """Choose the embedded broker's port where none is set: the usual one, or the next free."""
    if settings.mqtt_url is not None or settings.mqtt_port is not None:
        return settings
    port = usable_port(USUAL_MQTT_PORT, lan=settings.lan)
    return settings.model_copy(update={"mqtt_port": port})


class Shop(Rooms):
    """A running service, from settings."""

    def __init__(self, settings: Settings, clock: Clock | None = None) -> None:
        self._gave_back_at = time.monotonic()
        settings = _with_broker_port(settings)
        shop_zone(settings)  # a wrong one is refused before anything is made
        db = Database(database_url(settings.data, settings.database_url))
        db.upgrade()
        super().__init__(settings, clock or make_clock(settings), db)
        self.certificates = Running(settings.certificates_folder)
        self.broker: EmbeddedBroker | None = None
        self.address = self._broker_address()
        self.doorkeeper = Doorkeeper(
            self.certificates.look,
            self._refresh_keys,
            self._write_broker_files,
        )
        self.settler = Settler.of_one(
            self.db, on_settled=self._settled, busy=lambda: self.intake.flooded
        )
        self.intake = Intake(
            self.address,
            self.db,
            self.clock,
            settings.data,
            on_recorded=self._recorded,
            mqtt5=self.broker is None,  # the embedded broker speaks 3.1.1 ...
            usual_window=USUAL_WINDOW if self.broker is None else UNDER_WAY_MOST,  # ... without one
        )
        self.listener = Listener(
            self.address,
            self.clock,
            on_change=lambda: self.hub.publish("listening", {}),
            mqtt5=self.broker is None,
        )
        self.outlet = Outlet(self.address)
        self.publisher = NoticePublisher(self.outlet, self.book)
        foretold = Foretold(self.db, self.clock)
        self.foretold = ForecastListener(self.address, FORETOLD, lambda _topic: foretold)
        self.open_post(self.publisher.publish)
        self.jobs = Jobs(
            lambda: self.look(self.publisher),
            self.clock,
            tick_s=settings.tick_s,
            longer_work=self._look_ahead,
            post=self.postman.work,
        )
        self.watch = Watch(self, self.db)
        self.open_web(
            sensors_changed=self.settler.wake,
            kinds_changed=self.intake.refresh,
            listener=self.listener,
            health=self.watch.health,
            figures=self.watch.figures,
            sensor_door=SensorDoor(
                self.sensor_keys,
                self.doorkeeper.look,
                lambda reached_as: sensor_url(settings, self.address, reached_as),
                lambda: [] if self.broker is None else self.broker.told_off.lately(),
            ),
            lifespan=self._lifespan,
        )
        self.ready = Ready(self.look_as_pages, self._tell_air, self._begun)
        self.set_up.on_change(lambda _now: self.ready.changed())

    def start(self) -> None:
        """Start intake, notices and timer; the broker runs from the moment a Shop is made."""
        self.doorkeeper.start()
        self.settler.start()
        self.intake.start()
        self.outlet.start()
        self.foretold.start()
        self.jobs.start()
        self.ready.start()

    def stop(self) -> None:
        """Stop in the order that loses nothing: whoever feeds the next one first."""
        self.postman.stop()
        self.ready.stop()
        self.jobs.stop()
        self.outlet.stop()
        self.foretold.stop()
        self.listener.stop()
        self.intake.stop()
        self.settler.stop()
        self.doorkeeper.stop()
        if self.broker is not None:
            self.broker.stop()
        self.db.dispose()

    def serve_by(self, context: ssl.SSLContext) -> None:
        """Keep a server's certificate up to date while it runs."""
        self.certificates.contexts.append(context)

    def _broker_address(self) -> MqttAddress:
        other = self.settings.other_broker()
        if other is not None:
            return other
        self.broker = EmbeddedBroker(
            Path(self.settings.data),
            self.settings.mqtt_port or 0,
            lan=self.settings.lan,
            keys=self.sensor_keys.live,
            sensors_open=self.settings.sensors_open,
            tls=self._tls_door(),
        )
        self.broker.start()
        return self.broker.address

    def _tls_door(self) -> TlsDoor | None:
        if not self.settings.mqtt_tls:
            return None
        try:
            context = server_context(self.settings.certificates_folder)
        except CertificateError as error:
            raise SettingError(f"BOOTHGLASS_MQTT_TLS: {error}") from error
        self.serve_by(context)
        return TlsDoor(self.settings.mqtt_tls_port, context)

    def _write_broker_files(self) -> None:
        if self.settings.broker_files is not None:
            write_broker_files(self.settings, self.sensor_keys.for_broker())

    def _refresh_keys(self) -> None:
        if self.broker is not None:
            self.broker.refresh()

    def _begun(self) -> None:
        """Begin with the outlooks, once the first page is ready."""
        self.warm_up()
        self.jobs.hasten()

    def _look_ahead(self) -> None:
        if self.keeper is not None:
            self.keeper.step()
        fitted = self.look_further()
        # A fit needs tens of megabytes for seconds, once an hour; a long chart some, now and then.
        if fitted or time.monotonic() > self._gave_back_at + GIVE_BACK_S:
            give_back()
            self._gave_back_at = time.monotonic()

    def _recorded(self, _recorded: Recorded) -> None:
        self.settler.wake()

    def _settled(self, place: str) -> None:
        self.ready.changed(place)

    def _tell_air(self, place: str) -> None:
        self.hub.publish("air", {"place": place})

    @asynccontextmanager
    async def _lifespan(self, _app: FastAPI) -> AsyncIterator[None]:
        self.start()
        tell("READY=1")
        try:
            yield
        finally:
            tell("STOPPING=1")
            self.stop()
