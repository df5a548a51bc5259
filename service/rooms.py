"""The rooms of one shop: what answers, writes and shows. Nothing here runs by itself.

Whoever composes them gives them threads: a service for one shop (:mod:`service.app`), or a worker
that serves many (:mod:`service.worker`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from contextlib import AbstractAsyncContextManager
from typing import Any

from fastapi import FastAPI

from service.address import public_url
from service.backup.keeper import Keeper
from service.clock import Clock
from service.notify.channels import make_senders
from service.notify.mqtt import NoticePublisher, message
from service.notify.postman import Postman
from service.science import film
from service.settings import Settings
from service.store.catalogue import Catalogue, load_catalogue
from service.store.db import Database
from service.store.desk import Desk
from service.store.facts import Facts
from service.store.kinds import Kinds
from service.store.notice_book import NoticeBook
from service.store.outbox import Outbox
from service.store.people_book import PeopleBook
from service.store.retention import Retention
from service.store.salt_book import SaltBook
from service.store.sensor_book import SensorBook
from service.store.sensor_keys import SensorKeys
from service.store.shop_settings import SettingsBook, ShopSettings
from service.store.work import Work
from service.web import create_web
from service.web.deps import Health, Listener, Telling
from service.web.live import Hub
from service.web.metrics import Figure
from service.web.pages.view import look_ahead, places_of
from service.web.person import words_for
from service.web.sensor_door import SensorDoor
from service.web.words import Words

__all__ = ["Lifespan", "Rooms"]

Lifespan = Callable[[FastAPI], AbstractAsyncContextManager[None]]


class Rooms:
    """Everything that one shop is made of, from its settings and its database.

    Parameters
    ----------
    settings : Settings
        The shop's own: its data folder, and the address its pages are reached at.
    db : Database
        With tables of this version.
    word : str
        The shop's word, where many share a broker.
    """

    web: FastAPI
    postman: Postman

    def __init__(self, settings: Settings, clock: Clock, db: Database, word: str = "") -> None:
        self.settings, self.clock, self.db = settings, clock, db
        self.set_up = SettingsBook(db, settings)
        self.catalogue: Catalogue = load_catalogue(settings.data)
        self.desk = Desk(db, clock, self.catalogue, self.set_up.now.facts)
        self.work = Work(db, clock, self.catalogue, self.desk)
        self.book = NoticeBook(db, clock, self.catalogue, self.desk)
        self.hub = Hub()
        self.sensor_keys = SensorKeys(db, clock, shop=word)
        self.retention = Retention(db, clock, self.set_up.now.keep_raw_days)
        self.outbox = Outbox(db, clock, lambda: self.set_up.now.tz)
        self.keeper = self._keeper()
        self.set_up.on_change(self._set)

    def open_post(self, publish: Callable[[str, str], bool]) -> None:
        """Make the postman; ``publish`` sends a text under a topic of the shop's broker."""
        self.postman = Postman(
            self.outbox,
            self.clock,
            make_senders(self.settings, Facts(self.db), publish),
            public_url=lambda: public_url(self.settings),
            wording=self._words,
        )

    def open_web(
        self,
        *,
        sensors_changed: Callable[[], None],
        kinds_changed: Callable[[], None],
        listener: Listener,
        health: Health,
        figures: Callable[[], Iterable[Figure]],
        sensor_door: SensorDoor,
        lifespan: Lifespan | None = None,
    ) -> None:
        """Make pages and API; the post has to be open by then.

        Parameters
        ----------
        sensors_changed : callable
            Told when something was marked to be settled.
        kinds_changed : callable
            Told when a sensor kind was adopted or retired.
        listener, health, figures, sensor_door, lifespan
            As :func:`service.web.create_web` takes them.
        """
        self.web = create_web(
            desk=self.desk,
            work=self.work,
            sensors=SensorBook(self.db, self.clock, sensors_changed),
            salt_checks=SaltBook(self.db, self.clock, sensors_changed),
            kinds=Kinds(self.db, self.clock),
            kinds_changed=kinds_changed,
            listener=listener,
            telling=Telling(PeopleBook(self.db, self.clock), self.outbox, self.postman),
            clock=self.clock,
            settings=self.settings,
            book=self.set_up,
            hub=self.hub,
            health=health,
            figures=figures,
            sensor_door=sensor_door,
            lifespan=lifespan,
        )

    # -- what has to be done now and then; whoever gives the rooms threads calls it ----------

    def look(self, publisher: NoticePublisher) -> None:
        """Write every notice that is due and send it out; then what can wait."""
        for notice in self.book.look():
            self.hub.publish("notice", message(notice))
        publisher.flush()
        self.retention.step()
        self.work.verdicts.catch_up()

    def look_further(self) -> bool:
        """Fit the outlooks that are due, for places that are looked at first; True where any was.

        It may take seconds. Open pages are told of each.
        """
        pages = self.web.state.shop
        looked_at = places_of(pages, pages.views.lately())
        return bool(self.desk.refresh_outlooks(looked_at, self._looked_ahead))

    def look_as_pages(self) -> None:
        """Reckon what pages will ask for, as they asked lately."""
        shop = self.web.state.shop
        for asked in shop.views.lately():
            look_ahead(shop, asked)

    def warm_up(self) -> None:
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

    # -- inside ----------------------------------------------------------------------------

    def _looked_ahead(self, place: str) -> None:
        """Ask for the windows that pages show, so that what they need is made; tell the pages."""
        self.look_as_pages()
        self.hub.publish("outlook", {"place": place})

    def _set(self, now: ShopSettings) -> None:
        """Let a change of the settings be in force at once."""
        self.desk.facts = now.facts
        self.retention.keep_days = now.keep_raw_days
        if self.keeper is not None:
            self.keeper.zone = now.tz

    def _words(self, prefs: Mapping[str, Any]) -> Words:
        """Return the words of a person with such preferences."""
        return words_for(self.set_up.now, prefs, self.web.state.studio.tongues)

    def _keeper(self) -> Keeper | None:
        to = self.settings.backup_to
        if to is None:
            return None
        return Keeper.of(self.settings, to, self.clock, self.set_up.now.tz)
