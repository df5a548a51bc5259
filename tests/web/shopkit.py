"""A running shop for tests: real database, desk, work and web server; readings put in directly."""

from __future__ import annotations

import asyncio
import dataclasses
import socket
import ssl
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import databases
import httpx
import uvicorn
from fastapi import FastAPI
from starlette.routing import BaseRoute, Mount, Route

from service.clock import Clock, DrivenClock
from service.intake.listening import Listener
from service.notify.channels import Sender
from service.notify.postman import Postman
from service.settings import MqttAddress, Settings
from service.store.catalogue import Catalogue, load_catalogue
from service.store.db import Database
from service.store.desk import Desk
from service.store.kinds import Kinds
from service.store.outbox import Outbox
from service.store.people_book import PeopleBook
from service.store.readings import NewReading, record_batch
from service.store.salt_book import SaltBook
from service.store.sensor_book import SensorBook
from service.store.settling import settle_all
from service.store.shop_settings import SettingsBook
from service.store.tables import Notice, Reject
from service.store.work import Work
from service.web import Hub, create_web
from service.web.deps import Telling
from service.web.person import words_for

NO_BROKER = MqttAddress("127.0.0.1", 1, None, None, tls=False)
"""Nobody listens on port 1."""

START = datetime(2025, 3, 12, 9, 0, tzinfo=UTC)


def _catalogue() -> Catalogue:
    """Give each shop a catalogue of its own: what one writes over it is no other's."""
    read = _shipped()
    own = {f.name: dict(getattr(read, f.name)) for f in dataclasses.fields(read)}
    return Catalogue(**own)


@cache
def _plain() -> ssl.SSLContext:
    """Trust nobody: no test of a shop leaves plain HTTP, and reading who is trusted takes long."""
    return ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)


@cache
def _shipped() -> Catalogue:
    """Read what ships, once."""
    return load_catalogue()


class Included(dict[int, BaseRoute]):
    """The routers that every shop includes, laid out once: that takes longer than most tests.

    They lie in the same order in each application, and hold nothing of it.
    """

    def share(self, app: FastAPI) -> None:
        for n, route in enumerate(app.router.routes):
            if not isinstance(route, Route | Mount):
                app.router.routes[n] = self.setdefault(n, route)


_INCLUDED = Included()


def _lent(db: Database) -> int:
    """How many of its connections to a server are in use; SQLite's needs no letting go."""
    return db.engine.pool.checkedout() if db.engine.dialect.name == "postgresql" else 0


class _Server(uvicorn.Server):
    """A server that leaves no connection behind, not even one whose reader has stopped reading.

    A browser without network takes nothing any more; its connection outlives the loop then, and the
    collector complains of it in some later test.
    """

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        await super().shutdown(sockets)
        for connection in list(self.server_state.connections):
            if connection.transport is not None:
                connection.transport.abort()
        await asyncio.sleep(0)  # what was aborted is closed in the loop's next turn


class LiveShop:
    """Everything but MQTT and timer, served on a free port of loopback."""

    def __init__(
        self,
        folder: Path,
        clock: Clock | None = None,
        broker: MqttAddress = NO_BROKER,
        real_clock: Clock | None = None,
        db: Database | None = None,
        **settings: Any,
    ) -> None:
        self.db = db or Database(databases.fresh(folder))
        given = {
            "data": folder,
            "zone": "UTC",
            "database_url": databases.setting(folder),
            "sign_in": "off",
            **settings,
        }
        self.settings = Settings(_env_file=None, **given)
        self.clock = clock or DrivenClock(START, 1.0)
        self.catalogue = _catalogue()
        self.book = SettingsBook(self.db, self.settings)
        self.desk = Desk(self.db, self.clock, self.catalogue, self.book.now.facts)
        self.book.on_change(lambda now: setattr(self.desk, "facts", now.facts))
        self.work = Work(self.db, self.clock, self.catalogue, self.desk)
        # No settling thread here: what is marked is settled at once.
        self.sensors = SensorBook(self.db, self.clock, lambda: settle_all(self.db))
        self.salt_checks = SaltBook(self.db, self.clock, lambda: settle_all(self.db))
        self.kinds = Kinds(self.db, self.clock)
        self.hub = Hub()
        self.listener = Listener(
            broker, self.clock, on_change=lambda: self.hub.publish("listening", {})
        )
        self.people = PeopleBook(self.db, self.clock)
        self.outbox = Outbox(self.db, self.clock, lambda: self.book.now.tz)
        self.senders: dict[str, Sender] = {}
        self.postman = Postman(
            self.outbox,
            self.clock,
            self.senders,
            public_url=lambda: self.url,
            wording=lambda prefs: words_for(self.book.now, prefs, self.app.state.studio.tongues),
        )
        self.status: dict[str, Any] = {"status": "ok", "reasons": []}
        self.app = create_web(
            desk=self.desk,
            work=self.work,
            sensors=self.sensors,
            salt_checks=self.salt_checks,
            kinds=self.kinds,
            kinds_changed=lambda: None,  # no intake here
            listener=self.listener,
            telling=Telling(self.people, self.outbox, self.postman),
            clock=self.clock,
            settings=self.settings,
            book=self.book,
            hub=self.hub,
            health=lambda: dict(self.status),
            real_clock=real_clock,
        )
        _INCLUDED.share(self.app)
        self.port = 0
        self._listener: socket.socket | None = None
        self.start()
        self.url = f"http://127.0.0.1:{self.port}"
        self.http = httpx.Client(base_url=self.url, timeout=20, verify=_plain())

    def start(self) -> None:
        """Serve; after :meth:`stop_serving` on the same port as before."""
        if self._listener is None:
            self._listener = socket.socket(proto=socket.IPPROTO_TCP)
            self._listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            self._listener.bind(("127.0.0.1", self.port))
            self.port = self._listener.getsockname()[1]
        config = uvicorn.Config(self.app, log_level="error", timeout_graceful_shutdown=1)
        self.server = _Server(config)
        # A copy: the server closes its sockets when it stops.
        sockets = [self._listener.dup()]
        self._thread = threading.Thread(target=self.server.run, args=(sockets,), daemon=True)
        self._thread.start()
        deadline = time.monotonic() + 15
        while not self.server.started:
            assert time.monotonic() < deadline, "the server did not start"
            time.sleep(0.01)

    def stop_serving(self, *, hang: bool = False) -> None:
        """Stop the server: connections are refused, or taken and never answered (``hang``)."""
        self.server.should_exit = True
        self._thread.join(15)
        assert not self._thread.is_alive(), "the server did not stop"
        if not hang and self._listener is not None:
            self._listener.close()
            self._listener = None

    def close(self) -> None:
        """Stop everything."""
        self.http.close()
        self.listener.stop()
        self.hub.close()
        self.stop_serving()
        # A request that nobody waits for any more may still be asking.
        until = time.monotonic() + 5
        while _lent(self.db) and time.monotonic() < until:
            time.sleep(0.02)
        self.db.dispose()

    # -- what happens in the shop ----------------------------------------------------------

    def read(
        self,
        air_c: float,
        rh_pct: float,
        *,
        place: str = "booth",
        sensor: str = "wall",
        surface_c: float | None = None,
        at: datetime | None = None,
    ) -> None:
        """Take a reading in and tell open pages."""
        self.read_many([(at or self.clock.now(), air_c, rh_pct)], place, sensor, surface_c)

    def turn(self, air_c: float, rh_pct: float, place: str = "booth", minutes: int = 6) -> None:
        """Let the air become other, a reading a minute: air that a shop can have does not jump."""
        air = self.desk.air(place)
        assert air is not None
        for n in range(1, minutes + 1):
            self.jump(minutes=1)
            part = n / minutes
            self.read(
                air.air_c + part * (air_c - air.air_c),
                air.rh_pct + part * (rh_pct - air.rh_pct),
                place=place,
            )

    def read_many(
        self,
        rows: list[tuple[datetime, float, float]],
        place: str = "booth",
        sensor: str = "wall",
        surface_c: float | None = None,
    ) -> None:
        """Take many readings in."""
        batch = [
            NewReading(
                place=place, sensor=sensor, at=at, received_at=at, air_c=air_c, rh_pct=rh,
                surface_c=surface_c,
            )
            for at, air_c, rh in rows
        ]  # fmt: skip
        with self.db.write() as session:
            record_batch(session, batch)
        settle_all(self.db)
        self.hub.publish("air", {"place": place})

    def read_day(self, place: str, air_c: float, rh_pct: float, hours: float = 24) -> None:
        """Take a quiet day in, a reading every five minutes up to now."""
        now = self.clock.now()
        count = int(hours * 12)
        rows = [
            (now - timedelta(minutes=5 * i), air_c + 1.5 * ((i % 72) / 72 - 0.5), rh_pct)
            for i in range(count, -1, -1)
        ]
        self.read_many(rows, place)

    def jump(self, **length: float) -> datetime:
        """Drive the clock forward."""
        assert isinstance(self.clock, DrivenClock)
        self.clock.drive(now=self.clock.now() + timedelta(**length))
        return self.clock.now()

    def add_piece(self, number: str = "41", place: str | None = "booth", **more: Any) -> int:
        """Take a piece in."""
        made = self.work.add_instrument(
            shop_number=number,
            kind=more.pop("kind", "tenor ukulele"),
            woods=more.pop("woods", "mahogany"),
            schedule_id=more.pop("schedule_id", "lacquer-clear"),
            place_id=place,
            **more,
        )
        return int(made.id or 0)

    def tell(self, kind: str, text: str, **more: Any) -> int:
        """Write a notice."""
        with self.db.write() as session:
            row = Notice(
                key=f"{kind}:{text}", kind=kind, at=self.clock.now(), text=text, data={}, **more
            )
            session.add(row)
            session.flush()
            made = int(row.id or 0)
        self.hub.publish("notice", {"id": made})
        return made

    def reject(self, payload: bytes, field: str, reason: str) -> None:
        """Keep a wrong payload."""
        with self.db.write() as session:
            session.add(
                Reject(
                    received_at=self.clock.now(), topic="boothglass/booth/wall",
                    size_bytes=len(payload), payload=payload, field=field, reason=reason,
                )
            )  # fmt: skip


@contextmanager
def live_shop(folder: Path, **settings: Any) -> Iterator[LiveShop]:
    """Serve a shop for as long as the block lasts."""
    shop = LiveShop(folder, **settings)
    try:
        yield shop
    finally:
        shop.close()
