"""Who works through a simulated month: one with the tool, and one with a fixed rule.

Both have the same hands, hours, pieces and schedules (`month_floor.py`), and probes that err alike.
The tool's finisher runs the service itself: its tables, its door for readings, its desk, its plan.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from month_floor import LOOK, PAPER, PIECES, Bench, How, Shown, Task
from month_world import PLACES, World

from sensors.booth import Air
from sensors.feed import SENSOR
from sensors.payloads import decode, encode, topic_of
from service.intake.check import checked
from service.shop.cards import InstrumentCard
from service.shop.projection import ReadyTime
from service.store.catalogue import Catalogue
from service.store.db import Database, sqlite_url
from service.store.desk import Desk, ShopFacts
from service.store.outlooks import Outlooks
from service.store.readings import NewReading, record_batch
from service.store.settling import settle_all
from service.store.work import Work

__all__ = ["RuleFinisher", "ToolFinisher"]


@dataclass
class RuleFinisher:
    """Waits as on the can, whatever the air, and sprays by the dial on the wall.

    ``longer`` stretches every wait; the dial is the booth's probe, and never loses a report.
    """

    world: World
    rh_max_pct: float = 65.0
    air_min_c: float = 15.0
    longer: float = 1.0
    _dial: Air | None = None
    _in_gun: str | None = None

    def hear(self, place: str, shown: Shown, /) -> None:
        """Look at the dial."""
        if place == "booth":
            self._dial = shown.air

    def morning(self) -> None:
        """Have a coffee."""

    def choose(self, open_to: list[Bench], /) -> Bench | None:
        """Choose a coat of what is in the gun, then any coat, then what has most before it."""
        can = [b for b in open_to if self._waited(b) and self._air_will_do(b)]
        if not can:
            return None

        def key(bench: Bench) -> tuple[bool, bool, int, int]:
            material = bench.task.material
            sprayed = self.world.sprayed(material)
            like = sprayed and material == self._in_gun
            return (not like, not sprayed, -(len(bench.tasks) - bench.next), bench.index)

        return min(can, key=key)

    def next_look(self) -> datetime:
        """Look every half hour."""
        return self.world.now + LOOK

    def may_spray(self, bench: Bench, /) -> bool:
        """Look at the dial once more."""
        return self._air_will_do(bench)

    def did(self, _bench: Bench, task: Task, _how: How, /) -> None:
        """Remember what is in the gun."""
        if self.world.sprayed(task.material):
            self._in_gun = task.material

    def moved(self, _bench: Bench, /) -> None:
        """Keep no record."""

    def _waited(self, bench: Bench) -> bool:
        wait = bench.task.wait
        if wait is None or bench.last_material is None or bench.last_at is None:
            return True
        hours = self.longer * self.world.known[bench.last_material].marks[wait].hours
        return self.world.now >= bench.last_at + timedelta(hours=hours)

    def _air_will_do(self, bench: Bench) -> bool:
        if not self.world.sprayed(bench.task.material):
            return True
        dial = self._dial
        return dial is not None and dial.rh_pct <= self.rh_max_pct and dial.air_c >= self.air_min_c


class _Clock:
    """A clock that stands still until it is moved."""

    rate, driven = 1.0, False

    def __init__(self, at: datetime) -> None:
        self.at = at

    def now(self) -> datetime:
        """Return the present."""
        return self.at


class ToolFinisher:
    """Does what the service says: its list, its ready times, its spray check; taps what it finds.

    An act begins as soon as its card says *ready* and, where it is sprayed, the check *spray*.
    """

    def __init__(self, world: World, folder: Path, catalogue: Catalogue) -> None:
        self.world = world
        self.clock = _Clock(world.now)
        self.db = Database(sqlite_url(folder))
        self.db.upgrade()
        self.desk = Desk(self.db, self.clock, catalogue, ShopFacts())
        # A month goes by in minutes here: looks are not spaced out in real time.
        self.desk.outlooks = Outlooks(self.db, self.clock, rest_s=0.0)
        self.work = Work(self.db, self.clock, catalogue, self.desk)
        for place in PLACES:
            self.work.add_place(place, place, "booth" if place == "booth" else "rack", None)
        self._ids: dict[int, int] = {}
        self._kept: list[NewReading] = []
        self.unknown = 0
        self.looks = 0

    def close(self) -> None:
        """Let the database go."""
        self.db.dispose()

    def hear(self, place: str, shown: Shown, /) -> None:
        """Send what the probe shows the way that a probe would."""
        if not shown.heard:
            return
        at, seen = shown.at, shown.air
        payload = encode(
            at=at,
            air_c=round(seen.air_c, 2),
            rh_pct=round(seen.rh_pct, 1),
            surface_c=round(seen.surface_c, 2),
            pressure_pa=round(seen.pressure_pa),
        )
        said = decode(topic_of(place, SENSOR), payload, at)
        self._kept += [checked(one, now=at) for one in said]

    def morning(self) -> None:
        """Take in what came; have the outlook made as its timer would."""
        self._take_in()
        now = self.world.now
        for index, work in enumerate(PIECES):
            comes = self.world.month.start + timedelta(days=work.after_days)
            if index in self._ids or now < comes:
                continue
            row = self.work.add_instrument(
                shop_number=work.number,
                kind=work.kind,
                woods=work.woods,
                plate_mm=work.plate_mm,
                schedule_id=work.schedule,
                place_id="booth",
            )
            self._ids[index] = int(row.id or 0)
        self.desk.refresh_outlooks()

    def choose(self, open_to: list[Bench], /) -> Bench | None:
        """Choose the first on the list that may begin."""
        self._take_in()
        cards = {card.id: card for card in self.desk.cards()}
        can = {
            self._ids[bench.index]: bench
            for bench in open_to
            if self._is_ready(bench, cards[self._ids[bench.index]])
        }
        listed = (can[piece] for piece in cards if piece in can)
        return next((bench for bench in listed if self._air_will_do(bench)), None)

    def next_look(self) -> datetime:
        """Look every half hour."""
        return self.world.now + LOOK

    def may_spray(self, bench: Bench, /) -> bool:
        """Ask the check once more."""
        self._take_in()
        return self._air_will_do(bench)

    def did(self, bench: Bench, task: Task, how: How, /) -> None:
        """Record it, and tap what the paper said."""
        self._take_in()
        piece = self._ids[bench.index]
        if task.step.kind in PAPER:
            said = "gummed" if how == "gummed" else "clean"
            self.work.verdicts.record(piece, said, mark=task.wait)
        if how == "gummed":
            return
        if task.material:
            self.work.record_coat(piece, material_id=task.material)
        else:
            self.work.finish_step(piece, task.step.key)

    def moved(self, bench: Bench, /) -> None:
        """Record where it hangs."""
        self._take_in()
        self.work.hang(self._ids[bench.index], bench.place)

    def _take_in(self) -> None:
        if self._kept:
            with self.db.write() as session:
                record_batch(session, self._kept)
            self._kept = []
            settle_all(self.db)
        self.clock.at = self.world.now

    def _is_ready(self, bench: Bench, card: InstrumentCard) -> bool:
        task = bench.task
        if task.wait is None or card.last_coat_id is None:
            return True
        if card.act.step_key == task.step.key and card.act.state != "ready":
            return False
        mark = _mark(card, task.wait)
        return mark is not None and mark.reached

    def _air_will_do(self, bench: Bench) -> bool:
        material = bench.task.material
        if not self.world.sprayed(material):
            return True
        check = self.desk.spray_check("booth", material, instrument_id=self._ids[bench.index])
        self.looks += 1
        self.unknown += check.answer == "unknown"
        return check.answer == "spray"


def _mark(card: InstrumentCard, name: str) -> ReadyTime | None:
    return next((mark for mark in card.marks if mark.mark == name), None)
