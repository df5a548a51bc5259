"""One shop as a worker serves it: made bit by bit, for whoever needs it first.

A worker that only takes a shop's readings in needs no more than its letter-box; who leads for the
shop needs what decides; pages are made when somebody opens one.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from typing import Any, NamedTuple

from fastapi import FastAPI

from sensors.payloads import shop_root
from service.address import sensor_url
from service.clock import Clock
from service.intake.foretold import Foretold
from service.intake.inbox import Inbox
from service.intake.kinds_read import KindsRead
from service.intake.listening import Listener
from service.intake.sorter import Sorter
from service.notify.mqtt import NoticePublisher, Outlet
from service.rooms import Rooms
from service.settings import MqttAddress, Settings
from service.store.db import Database
from service.store.facts import Facts
from service.store.kinds import Kinds
from service.web.ready import Ready
from service.web.sensor_door import SensorDoor
from service.worker.figures import Figures
from service.worker.listening import SharedListener
from service.worker.pace import Due, Pace

__all__ = ["FIGURES", "Room", "Ties"]

FIGURES = "figures"
"""Event by which the other workers are asked for theirs."""

HERE_ONLY = frozenset({"air", "outlook"})
"""Events that every worker tells its own pages: each reckons for itself."""

log = logging.getLogger(__name__)


class Ties(NamedTuple):
    """What a room needs of the worker that serves it."""

    clock: Clock
    address: MqttAddress
    outlet: Outlet
    window: Callable[[], int]
    """Unacknowledged messages that may be under way."""
    recorded: Callable[[str], None]
    """Told after each commit of new readings."""
    settle: Callable[[str], None]
    shared: bool
    """Whether there may be other workers."""
    tell: Callable[[str, str, dict[str, Any]], None]
    """Tells the other workers."""
    kinds_changed: Callable[[str], None]
    keys_changed: Callable[[str], None]
    watch: Callable[[Room], Any]
    number: Callable[[], int | None]
    """The worker's number among them."""


class Room:
    """One shop: its letter-box at once, its rooms and pages when they are asked for."""

    publisher: NoticePublisher

    def __init__(self, word: str, settings: Settings, db: Database, ties: Ties) -> None:
        self.word, self.settings, self.db, self.ties = word, settings, db, ties
        db.shared_as = word if ties.shared else None
        self.kinds = KindsRead(Kinds(db, ties.clock), shop_root(word))
        sorter = Sorter(self.kinds.readers, ties.window)
        self.inbox = Inbox(db, sorter, lambda _: ties.recorded(word))
        self.foretold = Foretold(db, ties.clock)
        self._making = threading.RLock()
        self._rooms: Rooms | None = None
        self._ready: Ready | None = None
        self._look, self._post, self._further = Due(), Due(), Due()
        self.figures = Figures(
            settings.data,
            settings.workers or 1,
            ties.number,
            self._own_figures,
            lambda: ties.tell(word, FIGURES, {}),
        )

    # -- what it is made of ------------------------------------------------------------------

    @property
    def made(self) -> Rooms | None:
        """The rooms, if they are made."""
        return self._rooms

    @property
    def rooms(self) -> Rooms:
        """The rooms; they are made when first asked for."""
        with self._making:
            if self._rooms is None:
                made = Rooms(self.settings, self.ties.clock, self.db, self.word)
                made.hub.also = self._carry
                self.publisher = NoticePublisher(self.ties.outlet, made.book, shop_root(self.word))
                made.open_post(self.publisher.publish)
                watch = self.ties.watch(self)
                made.open_web(
                    sensors_changed=lambda: self.ties.settle(self.word),
                    kinds_changed=lambda: self.ties.kinds_changed(self.word),
                    listener=self._listener(made),
                    health=watch.health,
                    figures=watch.figures,
                    sensor_door=SensorDoor(
                        made.sensor_keys,
                        lambda: self.ties.keys_changed(self.word),
                        url=lambda reached_as: sensor_url(
                            self.settings, self.ties.address, reached_as
                        ),
                    ),
                )
                metrics = made.web.state.metrics
                metrics.labels = lambda: {"worker": str(self.ties.number() or "")}
                metrics.others = self.figures.others
                made.set_up.on_change(lambda _now: self.changed())
                self._rooms = made
            return self._rooms

    def _own_figures(self) -> bytes:
        """Return what this worker counts of the shop; nothing where it has not opened it."""
        made = self._rooms
        return b"" if made is None else bytes(made.web.state.metrics.own())

    def _listener(self, made: Rooms) -> SharedListener:
        return SharedListener(
            Listener(self.ties.address, self.ties.clock, root=shop_root(self.word)),
            Facts(self.db),
            lambda: made.hub.publish("listening", {}),
        )

    def web(self) -> FastAPI:
        """Return the pages and the API; from then on they are kept ready."""
        with self._making:
            rooms = self.rooms
            if self._ready is None:
                self._ready = Ready(
                    rooms.look_as_pages,
                    lambda place: rooms.hub.spread("air", {"place": place}),
                    rooms.warm_up,
                )
                self._ready.start()
            return rooms.web

    @property
    def open(self) -> bool:
        """Whether this worker shows its pages."""
        return self._ready is not None

    def stop(self) -> None:
        """End what runs."""
        if self._ready is not None:
            self._ready.stop()

    # -- what happens to it ------------------------------------------------------------------

    def changed(self, place: str = "") -> None:
        """Take note that its air, or something else that pages show, is another now."""
        self.wake()
        if self._ready is not None:
            self._ready.changed(place)

    def wake(self) -> None:
        """Look at it before long."""
        self._look.wake()
        self._post.wake()

    def refresh(self) -> None:
        """Take over what other workers have changed."""
        if self._rooms is not None:
            self._rooms.set_up.refresh()
            self._rooms.work.recipes.refresh()
        self.changed()

    # -- what has to be done by whoever leads for it -----------------------------------------

    def look(self, pace: Pace) -> None:
        """Write and publish what is due, if it is time."""
        if not self._look.now(pace):
            return
        try:
            self.rooms.look(self.publisher)
        except Exception:
            self._look.wake()
            raise

    def send_post(self, pace: Pace) -> None:
        """Send what is due to people, if it is time."""
        if self._post.now(pace):
            self.rooms.postman.work()

    def look_further(self, pace: Pace) -> bool:
        """Fit the outlooks that are due, now and then; at every turn while its pages are open."""
        return (self._further.now(pace) or self.open) and self.rooms.look_further()

    def _carry(self, event: str, data: dict[str, Any]) -> None:
        self.wake()
        if event not in HERE_ONLY:
            self.ties.tell(self.word, event, data)
