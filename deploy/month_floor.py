"""The floor of a simulated month: pieces, hands and hours, and the record of what really happened.

What is done on a piece, and whether it was too early or blushed, is kept here and nowhere else; a
finisher sees blush once a film has set, and paper that gums, and nothing else of it.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from typing import Literal, Protocol

from month_world import ZONE, Laid, World

from sensors.booth import Air
from service.shop.plan.upcoming import MINUTES
from service.shop.schedule import Schedule, Step
from service.store.catalogue import Catalogue
from service.store.working import DAYS, USUAL

__all__ = [
    "LOOK",
    "PAPER",
    "PIECES",
    "Bench",
    "Done",
    "Finisher",
    "Floor",
    "How",
    "Piece",
    "Shown",
    "Task",
    "tasks_of",
]

LOOK = timedelta(minutes=30)
"""From look to look while there is nothing to do."""

STOPPED = timedelta(minutes=15)
"""What is lost before the paper is seen to gum."""

FAN_FIRST = timedelta(minutes=10)
"""The fan runs for so long before a coat; then the air is looked at once more."""

SOLVENT_G = 60.0
EARLY = 0.99
"""A mark counts as not yet reached where less than this part of it has passed: a step's worth of
rounding is nobody's fault."""

AGAIN = 0.1
"""Paper that gums is tried again after this part of the mark's stated hours, an hour at least."""

PAPER = ("scuff_sand", "level_sand")
"""Handwork that shows at once that it was too early."""


@dataclass(frozen=True)
class Piece:
    """A piece of work that comes in bare, so many days after the month's first."""

    number: str
    kind: str
    woods: str
    wood: str
    plate_mm: float
    schedule: str
    after_days: int


PIECES = (
    Piece("41", "Tenor ukulele", "mahogany", "mahogany", 2.2, "lacquer-clear", 0),
    Piece("42", "Octave mandolin", "spruce and maple", "spruce", 4.0, "lacquer-shaded-edge", 2),
    Piece("43", "Mountain dulcimer", "walnut", "walnut", 3.0, "shellac-sprayed", 4),
    Piece("44", "Parlour guitar", "spruce and walnut", "spruce", 2.8, "lacquer-clear", 7),
    Piece("45", "Cittern, top repair", "spruce", "spruce", 3.0, "lacquer-touch-up", 9),
)
"""The five pieces of the demo, from bare wood; one of them in shellac. They come in one after the
other, so that what is sprayed is spread over the weather of more than a few days."""


@dataclass(frozen=True)
class Task:
    """One thing to do on a piece: a coat or a piece of handwork, and the mark it waits for."""

    step: Step
    wait: str | None

    @property
    def material(self) -> str:
        """What is put on; empty for handwork."""
        return self.step.material or ""

    @property
    def minutes(self) -> int:
        """How long a hand is on the piece."""
        return MINUTES.get(self.step.kind, 30)


@dataclass(frozen=True)
class Done:
    """What was done, and how it stood with the hidden truth."""

    at: datetime
    piece: int
    task: Task
    early: bool
    laid: Laid | None = None
    clock: float | None = None
    """Part of the mark that had truly passed; None where nothing was waited for."""


@dataclass
class Bench:
    """A piece as it really stands."""

    index: int
    work: Piece
    tasks: list[Task]
    place: str = "booth"
    next: int = 0
    coats: int = 0
    last_material: str | None = None
    last_at: datetime | None = None
    last_slow: float = 1.0
    run: dict[str, float] = field(default_factory=dict)
    """Reference hours for the usual film since the last coat, by material."""
    factor: float = 1.0
    again_at: datetime | None = None
    finished_at: datetime | None = None
    today: tuple[date | None, int] = (None, 0)

    @property
    def through(self) -> bool:
        """Whether nothing is left to do."""
        return self.next == len(self.tasks)

    @property
    def task(self) -> Task:
        """What comes next; IndexError where it is through."""
        return self.tasks[self.next]


def tasks_of(schedule: Schedule) -> list[Task]:
    """Lay a schedule out; a step that only waits is the wait of what follows it."""
    found: list[Task] = []
    waits: str | None = None
    for step in schedule.steps:
        if step.until is not None:
            waits = step.until
            continue
        first = waits or step.after
        found += [Task(step, step.between if n else first) for n in range(max(1, step.coats))]
        waits = None
    # Before the first coat there is nothing to wait for.
    first = next(i for i, task in enumerate(found) if task.material)
    return [replace(t, wait=None) if i <= first else t for i, t in enumerate(found)]


@dataclass(frozen=True)
class Shown:
    """What a probe makes of the air; whoever stands before it sees it, ``heard`` or not."""

    at: datetime
    air: Air
    heard: bool


How = Literal["done", "gummed"]


class Finisher(Protocol):
    """Whoever decides; the floor does and remembers."""

    def hear(self, place: str, shown: Shown, /) -> None:
        """Take in what a probe shows."""

    def morning(self) -> None:
        """Begin a day."""

    def choose(self, open_to: list[Bench], /) -> Bench | None:
        """Choose which piece to go on with now, if any, of those that could be."""

    def next_look(self) -> datetime:
        """Say when to look again after nothing was found to do."""

    def may_spray(self, bench: Bench, /) -> bool:
        """Look at the air once more with the fan running."""

    def did(self, bench: Bench, task: Task, how: How, /) -> None:
        """Note what was done, or that the paper gummed and it was left."""

    def moved(self, bench: Bench, /) -> None:
        """Note that a piece was hung elsewhere."""


class Floor:
    """Runs a month with a finisher: hours, hands, and the record of what really happened."""

    def __init__(self, world: World, finisher: Finisher, catalogue: Catalogue) -> None:
        self.world, self.finisher = world, finisher
        self.done: list[Done] = []
        self.gave_up = 0
        self.mornings: list[float] = []
        self.benches = [
            Bench(i, work, tasks_of(catalogue.schedules[work.schedule]))
            for i, work in enumerate(PIECES)
        ]

    def run(self) -> None:
        """Live through the month."""
        self.run_until(self.world.month.start)
        while self.world.now < self.world.month.end:
            local = self.world.now.astimezone(ZONE)
            hours = USUAL.hours.get(DAYS[local.weekday()])
            if hours is not None:
                opens, closes = (_today(local, text) for text in hours)
                self.run_until(opens)
                self.mornings.append(self.world.booth.weather.at(self.world.now).dew_point_c)
                self.finisher.morning()
                self._work_until(closes)
            self.run_until(min(_today(local, "00:00") + timedelta(days=1), self.world.month.end))

    def _work_until(self, closes: datetime) -> None:
        while self.world.now < closes:
            now = self.world.now
            open_to = [
                bench
                for bench in self.benches
                if not bench.through
                and now >= self.arrives(bench)
                and now + timedelta(minutes=bench.task.minutes) <= closes
                and (bench.again_at is None or now >= bench.again_at)
                and not self._enough_today(bench)
            ]
            chosen = self.finisher.choose(open_to) if open_to else None
            if chosen is None:
                self.run_until(min(self.finisher.next_look(), closes))
            elif self.world.sprayed(chosen.task.material):
                self._coat(chosen, chosen.task)
            else:
                self._by_hand(chosen, chosen.task)

    def arrives(self, bench: Bench) -> datetime:
        """Return when a piece comes in."""
        return self.world.month.start + timedelta(days=bench.work.after_days)

    def _enough_today(self, bench: Bench) -> bool:
        day, coats = bench.today
        today = day == self.world.now.astimezone(ZONE).date() and coats >= USUAL.most_coats_a_day
        return today and self.world.sprayed(bench.task.material)

    def _coat(self, bench: Bench, task: Task) -> None:
        self.world.spray(float(task.minutes), SOLVENT_G)
        self.run_until(self.world.now + FAN_FIRST)
        if not self.finisher.may_spray(bench):
            self.gave_up += 1
            return
        self._lay(bench, task)
        self.run_until(self.world.now + timedelta(minutes=task.minutes) - FAN_FIRST)

    def _lay(self, bench: Bench, task: Task) -> None:
        now, material = self.world.now, task.material
        early, clock = self._early(bench, task)
        nth = (bench.index, bench.coats)
        laid = self.world.lay(material, bench.work.wood, bench.work.plate_mm, nth)
        self.done.append(Done(now, bench.index, task, early, laid, clock))
        self.finisher.did(bench, task, "done")
        under = self._soft_under(bench)
        law = self.world.real[material].drying
        film_um = min(laid.wet_um + under, 5000.0)
        bench.factor = (law.reference_film_um / film_um) ** law.film_exponent
        bench.last_slow = self.world.month.hidden.coat(*nth)[2]
        bench.last_material, bench.last_at = material, now
        bench.run = dict.fromkeys(self.world.real, 0.0)
        bench.coats += 1
        day = now.astimezone(ZONE).date()
        bench.today = (day, (bench.today[1] if bench.today[0] == day else 0) + 1)
        if laid.blushed:  # levelled with the next one, and one more in its place
            bench.tasks.insert(bench.next + 1, Task(task.step, task.step.between))
        self._next(bench)

    def _soft_under(self, bench: Bench) -> float:
        """Film that a soft coat below adds, as the drying model has it, by its true clock."""
        if bench.last_material is None:
            return 0.0
        known = self.world.known[bench.last_material]
        mark = known.marks.get("recoat")
        if mark is None:
            return 0.0
        clock = self._clock(bench, mark.name)
        return 0.5 * known.usual_wet_um * max(0.0, 1.0 - clock)

    def _by_hand(self, bench: Bench, task: Task) -> None:
        if task.material:  # wiped or brushed on
            self._lay(bench, task)
            self.run_until(self.world.now + timedelta(minutes=task.minutes))
            return
        early, clock = self._early(bench, task)
        now = self.world.now
        self.done.append(Done(now, bench.index, task, early, None, clock))
        gummed = early and task.step.kind in PAPER
        self.finisher.did(bench, task, "gummed" if gummed else "done")
        if gummed:
            mark = self.world.known[bench.last_material or ""].marks[task.wait or ""]
            bench.again_at = now + timedelta(hours=max(1.0, AGAIN * mark.hours))
            self.run_until(now + STOPPED)
            return
        self.run_until(now + timedelta(minutes=task.minutes))
        self._next(bench)

    def _next(self, bench: Bench) -> None:
        bench.next += 1
        bench.again_at = None
        if bench.through:
            bench.finished_at = self.world.now
        elif bench.task.wait == "rub_out":
            bench.place = "rack"
            self.finisher.moved(bench)

    def _early(self, bench: Bench, task: Task) -> tuple[bool, float | None]:
        if task.wait is None or bench.last_material is None:
            return False, None
        clock = self._clock(bench, task.wait)
        return clock < EARLY, clock

    def _clock(self, bench: Bench, mark: str) -> float:
        material = bench.last_material or ""
        needed = self.world.known[material].marks[mark].hours
        needed *= self.world.scales[material][mark] * bench.last_slow
        return bench.run[material] * bench.factor / needed

    def run_until(self, at: datetime) -> None:
        """Let time go by; the finisher hears the probes."""
        while self.world.now < at:
            before = {place: dict(hours) for place, hours in self.world.hours.items()}
            for place, (shown, heard) in self.world.step().items():
                self.finisher.hear(place, Shown(self.world.now, shown, heard))
            for bench in self.benches:
                if bench.last_material is not None:
                    passed = self.world.hours[bench.place][bench.last_material]
                    passed -= before[bench.place][bench.last_material]
                    bench.run[bench.last_material] += passed


def _today(local: datetime, text: str) -> datetime:
    hour, minute = map(int, text.split(":"))
    return local.replace(hour=hour, minute=minute, second=0, microsecond=0)
