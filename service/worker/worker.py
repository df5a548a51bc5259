"""The worker: shops opened as they are needed, readings taken in, and what it leads for done."""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Iterable
from typing import Any

from service.clock import Clock, make_clock
from service.intake.committer import Committer
from service.intake.connection import UNDER_WAY_MOST
from service.intake.foretold import TOPIC as FORETOLD
from service.intake.foretold import ForecastListener, Foretold
from service.intake.inbox import Inbox
from service.intake.settler import Settler
from service.intake.terms import inner_topic, of_every_shop, shop_of_topic
from service.jobs import Jobs
from service.memory import give_back
from service.notify.mqtt import Outlet
from service.settings import MqttAddress, Settings
from service.store.db import Database
from service.store.standing import Alone, Standing, slice_of
from service.store.wire import EVERYTHING, RECIPES, RECORDED, SETTINGS, SETTLED, NoWire, Wire
from service.worker.broker_files import BrokerFiles
from service.worker.houses import Houses
from service.worker.lines import FIRST, Lines
from service.worker.pace import AT_EVERY_TURN, OF_MANY, Pace
from service.worker.room import FIGURES, Room, Ties
from service.worker.watched import RoomWatch

__all__ = ["Worker"]

STEP_S = 1.0
"""Real seconds between looks at what this worker is."""

SLICES_OF_MANY = 8
"""More than workers usually are, so that many shops are shared out evenly among them."""

WORDS_EVERY_S = 10.0
"""Real seconds for which the list of shops holds."""

NEW_WITHIN_S = 1.0
"""Real seconds for which it holds that a shop is not there."""

KINDS, KEYS = "kinds", "keys"

log = logging.getLogger(__name__)


class Worker:
    """Serves the shops of an installation beside other workers.

    Parameters
    ----------
    settings : Settings
        Of the installation.
    houses : Houses
        Its shops.
    database_url : str, optional
        The PostgreSQL database that all workers share; unset: this is the only one.
    address : MqttAddress
        The broker that all workers share; it has to speak MQTT 5.
    """

    def __init__(
        self,
        settings: Settings,
        houses: Houses,
        database_url: str | None,
        address: MqttAddress,
        clock: Clock | None = None,
    ) -> None:
        self.settings, self.houses, self.address = settings, houses, address
        self.clock: Clock = clock or make_clock(settings)
        self._rooms: dict[str, Room] = {}
        self._opening = threading.Lock()
        self._words: frozenset[str] = frozenset()
        self._words_until = 0.0
        self._begun: frozenset[int] = frozenset()
        self._stopping = threading.Event()
        self.outlet = Outlet(address)
        self.committer = Committer(
            self, self.clock, on_recovered=self._recovered, on_lost=self._lost
        )
        self.settler = Settler(
            self._led_database, on_settled=self._settled, busy=lambda: self.committer.flooded
        )
        slices = SLICES_OF_MANY if houses.many else 1
        self.wire: Wire | NoWire = NoWire()
        self.standing: Standing | Alone = Alone()
        if database_url is not None:
            self.wire = Wire(database_url, self._hear, self._gap, houses.seal)
            self.standing = Standing(database_url, slices, self._let_go)
        self.lines = Lines(
            address,
            settings.data,
            self.clock,
            self.committer.offer,
            self.standing,
            many=houses.many,
        )
        self.foretold = ForecastListener(
            address, of_every_shop(FORETOLD, many=houses.many), self._foretold_of
        )
        self.jobs = Jobs(
            self._look,
            self.clock,
            tick_s=settings.tick_s,
            longer_work=self._look_further,
            post=self._send_post,
        )
        self.broker_files = BrokerFiles(settings, houses)
        self._ties = Ties(
            clock=self.clock,
            address=address,
            outlet=self.outlet,
            window=lambda: UNDER_WAY_MOST,
            recorded=self._recorded,
            settle=self._settle_soon,
            shared=database_url is not None,
            tell=self.wire.tell,
            kinds_changed=self._kinds_changed,
            keys_changed=self._keys_changed,
            watch=lambda room: RoomWatch(self, room),
            number=lambda: self.standing.number,
        )
        self._thread = threading.Thread(target=self._keep_standing, name="standing", daemon=True)

    # -- life ------------------------------------------------------------------------------

    def start(self) -> None:
        """Start everything."""
        self.settler.start()
        self.committer.start()
        self.outlet.start()
        self.wire.start()
        self._thread.start()
        self.foretold.start()
        self.jobs.start()

    def stop(self) -> None:
        """Stop in the order that loses nothing: whoever feeds the next one first."""
        self._stopping.set()
        rooms = list(self._rooms.values())
        for room in rooms:
            if room.made is not None:
                room.made.hub.close()
                room.made.postman.stop()
            room.stop()
        self.jobs.stop()
        self.foretold.stop()
        self._thread.join(timeout=30)
        self.committer.stop()
        self.lines.stop()
        self.settler.stop()
        self.outlet.stop()
        self.wire.stop()
        self.standing.close()
        self.houses.close()

    @property
    def running(self) -> bool:
        """Whether it was started and not stopped yet."""
        return self._thread.is_alive()

    # -- shops -----------------------------------------------------------------------------

    def room(self, word: str) -> Room | None:
        """Return a shop by its word; None: there is none. Its letter-box is made if need be."""
        room = self._rooms.get(word)
        if room is not None and word in self._words:
            return room
        if word not in self.words():
            return None
        with self._opening:
            if word not in self._rooms:
                made = Room(word, self.houses.settings(word), self.houses.open(word), self._ties)
                made.kinds.refresh()
                self._rooms[word] = made
            return self._rooms[word]

    def _new_room(self, word: str) -> Room | None:
        """Look once more for a shop that was not there: what is nobody's counts as done with."""
        if time.monotonic() < self._words_until - WORDS_EVERY_S + NEW_WITHIN_S:
            return None
        self._words_until = 0.0
        return self.room(word)

    def words(self) -> frozenset[str]:
        """Return the words of all shops, at most some seconds old."""
        if time.monotonic() >= self._words_until:
            self._words = self.houses.words()
            self._words_until = time.monotonic() + WORDS_EVERY_S
        return self._words

    def led(self) -> list[Room]:
        """Return the shops that this worker leads for."""
        found = (self.room(word) for word in sorted(self.words()) if self.standing.leads(word))
        return [room for room in found if room is not None]

    # -- readings: what the committer asks ---------------------------------------------------

    def of(self, topic: str) -> tuple[Inbox, str] | None:
        """Return the letter-box that a message belongs in, and its topic there."""
        word = self._word_of(topic)
        room = self.room(word) or self._new_room(word)
        if room is None:
            return None
        inner = inner_topic(topic) if self.houses.many else topic
        room.kinds.see_to(inner)
        return room.inbox, inner

    def waiting(self) -> Iterable[Inbox]:
        """Return the letter-boxes in which halves of readings wait."""
        rooms = list(self._rooms.values())
        return [room.inbox for room in rooms if room.inbox.sorter.waiting]

    def health(self, others: Iterable[str]) -> dict[str, Any]:
        """Say how the intake is, as :meth:`service.intake.client.Intake.health` does.

        ``others`` are what is wrong with the intake of the shop that asks.
        """
        counts = self.lines.counts()
        return self.committer.health(
            connected=self.lines.connected,
            cut_off=self.lines.cut_off,
            halves=sum(box.sorter.waiting for box in self.waiting()),
            dropped=counts["dropped"],
            reconnects=counts["reconnects"],
            restarts=counts["restarts"],
            others=[*self.lines.refused, *others],
        )

    def _recovered(self) -> None:
        self.lines.doubt()

    def _lost(self) -> None:
        self.lines.start_anew()

    # -- what this worker is -----------------------------------------------------------------

    def _keep_standing(self) -> None:
        while True:
            try:
                self.standing.step()
                self._begun &= self.standing.led
                for which in self.standing.led - self._begun:
                    # Before its session is opened: what it brings is read by kinds of now.
                    self._begin_to_lead(which)
                    self._begun |= {which}
                    self.foretold.hear_again()  # what came while nobody led is nobody's yet
                self.lines.step()
                self._look_after_kinds()
                if FIRST in self.standing.led:
                    self.broker_files.step()
            except Exception:
                log.exception("the standing could not be looked after")
            if self._stopping.wait(STEP_S):
                return

    def _let_go(self, which: int) -> None:
        self.lines.let_go(which)

    def _begin_to_lead(self, which: int) -> None:
        for word in self.words():
            if slice_of(word, self.standing.slices) == which:
                self.settler.wake(word)
                room = self.room(word)
                if room is not None:
                    room.kinds.forget()
                    room.wake()

    def _look_after_kinds(self) -> None:
        """Ask the broker for what foreign sensors send, slice by slice."""
        led = self.led()
        for room in led:
            if room.kinds.known is None or not self.houses.many:
                room.kinds.refresh()
        for which in self.standing.led:
            its = [r for r in led if slice_of(r.word, self.standing.slices) == which]
            filters: dict[str, bool] = {}
            for room in its:
                if room.kinds.filters is None:
                    break  # not known yet: what was asked for stays as it is
                filters.update(room.kinds.filters)
            else:
                self.lines.want(which, filters)

    def _keys_changed(self, word: str) -> None:
        self.broker_files.changed()
        self.wire.tell(word, KEYS, {})

    def _kinds_changed(self, word: str) -> None:
        self._forget_kinds(word)
        self.wire.tell(word, KINDS, {})

    def _forget_kinds(self, word: str) -> None:
        room = self._rooms.get(word)
        if room is not None:
            room.kinds.forget()

    # -- the wire ----------------------------------------------------------------------------

    def _hear(self, word: str, event: str, data: dict[str, Any]) -> None:
        if event == RECORDED:
            if self.standing.leads(word):
                self.settler.wake(word)
            return
        if event == KEYS:
            self.broker_files.changed()
            return
        room = self.room(word) if event == FIGURES else self._rooms.get(word)
        if room is not None:
            self._hear_of(room, event, data)

    def _hear_of(self, room: Room, event: str, data: dict[str, Any]) -> None:
        if event == SETTLED:
            room.changed(str(data.get("place", "")))
        elif event in {SETTINGS, RECIPES}:
            room.refresh()
        elif event == KINDS:
            room.kinds.forget()
        elif event == EVERYTHING:
            self._everything(room)
        elif event == FIGURES:
            room.figures.answer()
        else:
            room.changed()
            if room.made is not None:
                room.made.hub.spread(event, data)

    def _gap(self) -> None:
        """Look at everything: nobody knows what was told meanwhile."""
        self._words_until = 0.0
        for room in list(self._rooms.values()):
            self._everything(room)

    def _everything(self, room: Room) -> None:
        room.kinds.forget()
        room.refresh()
        if self.standing.leads(room.word):
            self.settler.wake(room.word)

    # -- what is done by whoever leads -------------------------------------------------------

    def _led_database(self, word: str) -> Database | None:
        room = self.room(word) if self.standing.leads(word) else None
        return None if room is None else room.db

    def _settle_soon(self, word: str) -> None:
        """Have a shop settled by whoever leads for it: something was marked here."""
        if self.standing.leads(word):
            self.settler.wake(word)
        else:
            self.wire.tell(word, RECORDED, {})

    def _recorded(self, word: str) -> None:
        if not self.wire.hears:
            self._settle_soon(word)

    def _settled(self, word: str, place: str) -> None:
        # The commit has told every worker, this one, too; unless nobody listens just now.
        room = self._rooms.get(word)
        if not self.wire.hears and room is not None:
            room.changed(place)

    def _foretold_of(self, topic: str) -> Foretold | None:
        word = self._word_of(topic)
        room = self.room(word) if self.standing.leads(word) else None
        return None if room is None else room.foretold

    def _word_of(self, topic: str) -> str:
        return shop_of_topic(topic) if self.houses.many else ""

    @property
    def _pace(self) -> Pace:
        return OF_MANY if self.houses.many else AT_EVERY_TURN

    def _look(self) -> None:
        if self.wire.problem is not None:  # nobody tells what the others have recorded
            for word in self.words():
                self._settle_soon(word)
        self._for_each(self.led(), lambda room: room.look(self._pace))

    def _send_post(self) -> None:
        self._for_each(self.led(), lambda room: room.send_post(self._pace))

    def _look_further(self) -> None:
        led = self.led()
        if not self.houses.many:
            for room in led:
                if room.rooms.keeper is not None:
                    room.rooms.keeper.step()
        opened = [room for room in list(self._rooms.values()) if room.open]
        wanted = list(dict.fromkeys([*opened, *led]))
        fitted: list[bool] = []
        self._for_each(wanted, lambda room: fitted.append(room.look_further(self._pace)))
        if any(fitted):
            give_back()

    def _for_each(self, rooms: Iterable[Room], do: Callable[[Room], object]) -> None:
        """Do something for each shop; an error in one is raised when all had their turn."""
        first: Exception | None = None
        for room in rooms:
            if self._stopping.is_set():
                return
            try:
                do(room)
            except Exception as error:
                if self.houses.many:
                    log.exception("shop %s", room.word)
                first = first or error
        if first is not None:
            raise first
