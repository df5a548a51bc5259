"""The one place that wires the rooms together.

Nothing is made at import: a :class:`Shop` owns the clock, database, broker, intake, timer and web
application of one running service, and starts and stops them in order.
"""

from __future__ import annotations

import logging
import ssl
import time
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any

from fastapi import FastAPI

from sensors.node.notify import tell
from service.address import public_url, sensor_url
from service.backup.keeper import Keeper
from service.certificates import CertificateError, server_context
from service.clock import Clock, DrivenClock, WallClock
from service.intake.broker import EmbeddedBroker, TlsDoor, usable_port
from service.intake.broker_files import write_broker_files
from service.intake.client import Intake
from service.intake.connection import UNDER_WAY_MOST, USUAL_WINDOW
from service.intake.doorkeeper import Doorkeeper, Running
from service.intake.foretold import ForecastListener
from service.intake.listening import Listener
from service.intake.settler import Settler
from service.jobs import Jobs
from service.memory import give_back
from service.notify.channels import make_senders
from service.notify.mqtt import NoticePublisher, message
from service.notify.postman import Postman
from service.science import film
from service.settings import MqttAddress, SettingError, Settings
from service.store.catalogue import Catalogue, load_catalogue
from service.store.db import Database, database_url
from service.store.desk import Desk
from service.store.facts import Facts
from service.store.kinds import Kinds
from service.store.notice_book import NoticeBook
from service.store.outbox import Outbox
from service.store.people_book import PeopleBook
from service.store.readings import Recorded
from service.store.retention import Retention
from service.store.salt_book import SaltBook
from service.store.sensor_book import SensorBook
from service.store.sensor_keys import SensorKeys
from service.store.shop_settings import SettingsBook, ShopSettings
from service.store.tables import Notice
from service.store.work import Work
from service.watch import Watch
from service.web import create_web
from service.web.deps import Telling
from service.web.live import Hub
from service.web.pages.view import look_ahead, places_of
from service.web.person import words_for
from service.web.ready import Ready
from service.web.sensor_door import SensorDoor
from service.web.words import Words, shop_zone

__all__ = ["USUAL_MQTT_PORT", "Shop", "make_clock"]

USUAL_MQTT_PORT = 1883

GIVE_BACK_S = 60.0
"""Real seconds after which freed memory is given back at the latest."""

log = logging.getLogger(__name__)


def make_clock(settings: Settings) -> Clock:
    """Return the machine's clock, or a driven one where a rate or start is set."""
    if settings.clock_rate is None and settings.clock_start is None:
        return WallClock()
    start = settings.clock_start or datetime.now(UTC)
    return DrivenClock(start, settings.clock_rate or 1.0, settings.data / "clock.json")


def _with_broker_port(settings: Settings) -> Settings:
    """Choose the embedded broker's port where none is set: the usual one, or the next free."""
    if settings.mqtt_url is not None or settings.mqtt_port is not None:
        return settings
    port = usable_port(USUAL_MQTT_PORT, lan=settings.lan)
    return settings.model_copy(update={"mqtt_port": port})


class Shop:
    """A running service, from settings."""

    def __init__(self, settings: Settings, clock: Clock | None = None) -> None:
        self._gave_back_at = time.monotonic()
        self.settings = settings = _with_broker_port(settings)
        self.clock: Clock = clock or make_clock(settings)
        shop_zone(settings)  # a wrong one is refused before anything is made
        self.db = Database(database_url(settings.data, settings.database_url))
        self.db.upgrade()
        self.set_up = SettingsBook(self.db, settings)
        self.catalogue: Catalogue = load_catalogue(settings.data)
        self.desk = Desk(self.db, self.clock, self.catalogue, self.set_up.now.facts)
        self.work = Work(self.db, self.clock, self.catalogue, self.desk)
        self.book = NoticeBook(self.db, self.clock, self.catalogue, self.desk)
        self.hub = Hub()
        self.sensor_keys = SensorKeys(self.db, self.clock)
        self.certificates = Running(settings.certificates_folder)
        self.broker: EmbeddedBroker | None = None
        self.address = self._broker_address()
        self.doorkeeper = Doorkeeper(
            self.certificates.look,
            self._refresh_keys,
            partial(write_broker_files, settings, self.sensor_keys),
        )
        self.settler = Settler(self.db, on_settled=self._settled, busy=lambda: self.intake.flooded)
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
        self.publisher = NoticePublisher(self.address, self.book)
        self.foretold = ForecastListener(self.address, self.db, self.clock)
        self.retention = Retention(self.db, self.clock, self.set_up.now.keep_raw_days)
        self.keeper = self._keeper()
        self.outbox = Outbox(self.db, self.clock, lambda: self.set_up.now.tz)
        self.postman = Postman(
            self.outbox,
            self.clock,
            make_senders(settings, Facts(self.db), self.publisher.publish),
            public_url=lambda: public_url(settings),
            wording=self._words,
        )
        self.jobs = Jobs(
            self.book,
            self.publisher,
            self.clock,
            on_notice=self._told,
            tick_s=settings.tick_s,
            housework=self._housework,
            longer_work=self._look_ahead,
            post=self.postman.work,
        )
        self.watch = Watch(self)
        self.web: FastAPI = create_web(
            desk=self.desk,
            work=self.work,
            sensors=SensorBook(self.db, self.clock, self.settler.wake),
            salt_checks=SaltBook(self.db, self.clock, self.settler.wake),
            kinds=Kinds(self.db, self.clock),
            kinds_changed=self.intake.refresh,
            listener=self.listener,
            telling=Telling(PeopleBook(self.db, self.clock), self.outbox, self.postman),
            clock=self.clock,
            settings=settings,
            book=self.set_up,
            hub=self.hub,
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
        self.ready = Ready(self._look_as_pages, self._tell_air, self._begun)
        self.set_up.on_change(self._set)

    def start(self) -> None:
        """Start intake, notices and timer; the broker runs from the moment a Shop is made."""
        self.doorkeeper.start()
        self.settler.start()
        self.intake.start()
        self.publisher.start()
        self.foretold.start()
        self.jobs.start()
        self.ready.start()

    def stop(self) -> None:
        """Stop in the order that loses nothing: whoever feeds the next one first."""
        self.postman.stop()
        self.ready.stop()
        self.jobs.stop()
        self.publisher.stop()
        self.foretold.stop()
        self.listener.stop()
        self.intake.stop()
        self.settler.stop()
        self.doorkeeper.stop()
        if self.broker is not None:
            self.broker.stop()
        self.db.dispose()

    def _set(self, now: ShopSettings) -> None:
        """Let a change of the settings be in force at once."""
        self.desk.facts = now.facts
        self.ready.changed()
        self.retention.keep_days = now.keep_raw_days
        if self.keeper is not None:
            self.keeper.zone = now.tz

    def _words(self, prefs: Mapping[str, Any]) -> Words:
        """Return the words of a person with such preferences."""
        return words_for(self.set_up.now, prefs, self.web.state.studio.tongues)

    def _housework(self) -> None:
        self.retention.step()
        self.work.verdicts.catch_up()

    def _keeper(self) -> Keeper | None:
        to = self.settings.backup_to
        if to is None:
            return None
        return Keeper.of(self.settings, to, self.clock, self.set_up.now.tz)

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

    def _refresh_keys(self) -> None:
        if self.broker is not None:
            self.broker.refresh()

    def _begun(self) -> None:
        """Begin with the outlooks, once the first page is ready."""
        self._warm_up()
        self.jobs.hasten()

    def _warm_up(self) -> None:
        """Load what the first spray check loads, where there was nothing to be checked yet."""
        for material in self.catalogue.materials.values():
            if material.blend is not None:
                film.blush_risk(
                    material.blend,
                    20.0,
                    50.0,
                    air_sd_k=0.3,
                    rh_sd_pct=2.0,
                    wet_um=material.usual_wet_um,
                    h_w_m2k=10.0,
                    plate_mm=3.0,
                )
                return

    def _look_ahead(self) -> None:
        if self.keeper is not None:
            self.keeper.step()
        pages = self.web.state.shop
        looked_at = places_of(pages, pages.views.lately())
        fitted = self.desk.refresh_outlooks(looked_at, self._looked_ahead)
        # A fit needs tens of megabytes for seconds, once an hour; a long chart some, now and then.
        if fitted or time.monotonic() > self._gave_back_at + GIVE_BACK_S:
            give_back()
            self._gave_back_at = time.monotonic()

    def _recorded(self, _recorded: Recorded) -> None:
        self.settler.wake()

    def _looked_ahead(self, place: str) -> None:
        """Ask for the windows that pages show, so that what they need is made; tell the pages."""
        self._look_as_pages()
        self.hub.publish("outlook", {"place": place})

    def _look_as_pages(self) -> None:
        shop = self.web.state.shop
        for asked in shop.views.lately():
            look_ahead(shop, asked)

    def _settled(self, place: str) -> None:
        self.ready.changed(place)

    def _tell_air(self, place: str) -> None:
        self.hub.publish("air", {"place": place})

    def _told(self, notice: Notice) -> None:
        self.hub.publish("notice", message(notice))

    @asynccontextmanager
    async def _lifespan(self, _app: FastAPI) -> AsyncIterator[None]:
        self.start()
        tell("READY=1")
        try:
            yield
        finally:
            tell("STOPPING=1")
            self.stop()
