"""A simulated month of five instruments in damp spring air: the tool against a rule, in tables.

    python deploy/month_table.py           prints the tables
    python deploy/month_table.py --write   puts them into dashboards/docs/month.md

Each month has weather and a hidden truth of its own (`month_world.py`) and is lived through by each
finisher (`month_people.py`, `month_planned.py`): some twenty minutes of processor time.
"""

from __future__ import annotations

import logging
import tempfile
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import timedelta
from itertools import product
from multiprocessing import get_context
from pathlib import Path

import numpy as np
from document import Block
from month_floor import PAPER, PIECES, Done, Floor
from month_people import RuleFinisher, ToolFinisher
from month_planned import PlanFinisher
from month_world import MONTHS, Hidden, Month, World

from sensors.weather import Outdoors
from service.shop.materials import Material
from service.store.catalogue import Catalogue, load_catalogue

BLOCK = Block.of("month.md", "month_table.py")

MONTHS_LIVED = tuple(Month(begins, Hidden(seed)) for seed, begins in enumerate(MONTHS, start=1))
"""Each month has weather and a hidden truth of its own."""

TOOL = "tool, by its cards"
PLANNED = "tool, by its plan"
RULES = {
    "rule: the can's hours, 65 % RH": (65.0, 1.0),
    "cautious: half as long again, 55 %": (55.0, 1.5),
}
BY_TOOL: dict[str, type[ToolFinisher]] = {TOOL: ToolFinisher, PLANNED: PlanFinisher}
FINISHERS = (TOOL, *RULES, PLANNED)


@dataclass(frozen=True)
class Lived:
    """What came of one month with one finisher.

    Attributes
    ----------
    days : tuple
        From each piece's coming in until it was through; None: not within the month.
    left : tuple
        How much each piece still had to come.
    done : tuple of Done
        Everything that was done, with its hidden truth.
    mornings : tuple
        Outdoor dew point as each working day begins, °C.
    unknown, looks : int
        How often the check was asked, and how often it did not know.
    """

    month: Month
    finisher: str
    days: tuple[float | None, ...]
    left: tuple[int, ...]
    done: tuple[Done, ...]
    gave_up: int
    mornings: tuple[float, ...]
    unknown: int = 0
    looks: int = 0

    @property
    def coats(self) -> list[Done]:
        """Coats that were sprayed."""
        return [d for d in self.done if d.laid is not None and np.isfinite(d.laid.margin_k)]

    @property
    def waits(self) -> list[Done]:
        """Coats of any kind that had a mark to wait for."""
        return [d for d in self.done if d.laid is not None and d.clock is not None]

    @property
    def papers(self) -> list[Done]:
        """Sandings, those too that gummed."""
        return [d for d in self.done if d.task.step.kind in PAPER]


def live(month: Month, finisher: str, outdoors: Outdoors | None = None) -> Lived:
    """Live through a month."""
    logging.getLogger("alembic").setLevel(logging.WARNING)
    catalogue = load_catalogue()
    world = World(month, used(catalogue), outdoors)
    if finisher in BY_TOOL:
        with tempfile.TemporaryDirectory(prefix="boothglass-month-") as folder:
            tool = BY_TOOL[finisher](world, Path(folder), catalogue)
            try:
                floor = Floor(world, tool, catalogue)
                floor.run()
            finally:
                tool.close()
            return _lived(month, finisher, floor, tool.unknown, tool.looks)
    rh_max_pct, longer = RULES[finisher]
    floor = Floor(world, RuleFinisher(world, rh_max_pct, longer=longer), catalogue)
    floor.run()
    return _lived(month, finisher, floor)


def used(catalogue: Catalogue) -> dict[str, Material]:
    """Return the materials that the pieces' schedules ask for."""
    steps = [step for piece in PIECES for step in catalogue.schedules[piece.schedule].steps]
    return {step.material: catalogue.materials[step.material] for step in steps if step.material}


def _lived(month: Month, finisher: str, floor: Floor, unknown: int = 0, looks: int = 0) -> Lived:
    days = tuple(
        None
        if bench.finished_at is None
        else (bench.finished_at - floor.arrives(bench)) / timedelta(days=1)
        for bench in floor.benches
    )
    return Lived(
        month,
        finisher,
        days,
        tuple(len(bench.tasks) - bench.next for bench in floor.benches),
        tuple(floor.done),
        floor.gave_up,
        tuple(floor.mornings),
        unknown,
        looks,
    )


_DAYS = (
    "Days from coming in until through, mean of the months; ≥ where a piece was not through by the "
    "end of a month and counts as if it had been then."
)


def tables(lived: Sequence[Lived]) -> str:
    """Return the tables as Markdown."""
    each = {name: [one for one in lived if one.finisher == name] for name in FINISHERS}
    lines = [
        f"All {len(MONTHS_LIVED)} months together; in brackets the least and the most of a month.",
        "",
        *_table(
            ("", *FINISHERS),
            [
                (name, *(_spread(each[f], count, share) for f in FINISHERS))
                for name, count, share in _ROWS
            ],
        ),
        "",
        _DAYS,
        "",
        *_table(
            ("piece", *FINISHERS),
            [
                (f"{piece.number} {piece.kind}, `{piece.schedule}`", *_days_of(each, n))
                for n, piece in enumerate(PIECES)
            ],
        ),
        "",
        "By month: pieces through, coats sprayed, blushed, coats too early.",
        "",
        *_table(
            ("month from", "outdoor dew point at 8:00, °C", *FINISHERS),
            [(*_weather(lived, month), *_in_month(each, month)) for month in MONTHS_LIVED],
        ),
    ]
    return "\n".join(lines)


Count = Callable[[Lived], int]

_ROWS: tuple[tuple[str, Count, Count | None], ...] = (
    ("pieces through in the month", lambda one: sum(d is not None for d in one.days), lambda _: 5),
    ("coats sprayed", lambda one: len(one.coats), None),
    ("blushed", lambda one: sum(_blushed(d) for d in one.coats), lambda one: len(one.coats)),
    ("coats laid too early", lambda one: sum(d.early for d in one.waits), lambda o: len(o.waits)),
    ("sandings too early", lambda o: sum(d.early for d in o.papers), lambda o: len(o.papers)),
    ("given up with the fan running", lambda one: one.gave_up, None),
)


def _blushed(done: Done) -> bool:
    return done.laid is not None and done.laid.blushed


def _spread(months: Sequence[Lived], count: Count, whole: Count | None) -> str:
    counts = [count(one) for one in months]
    of = "" if whole is None else f" of {sum(whole(one) for one in months)}"
    return f"{sum(counts)}{of} ({min(counts)} to {max(counts)})"


def _days_of(each: dict[str, list[Lived]], piece: int) -> list[str]:
    cells = []
    for lived in each.values():
        days = [one.days[piece] for one in lived]
        most = [one.month.days - PIECES[piece].after_days for one in lived]
        mean = np.mean([m if d is None else d for d, m in zip(days, most, strict=True)])
        cells.append(f"{'≥ ' if None in days else ''}{mean:.1f}")
    return cells


def _weather(lived: Sequence[Lived], month: Month) -> tuple[str, str]:
    mornings = next(one.mornings for one in lived if one.month == month)
    low, middle, high = np.percentile(mornings, [10, 50, 90])
    return f"{month.begins:%-d %B}", f"{middle:.0f} ({low:.0f} to {high:.0f})"


def _in_month(each: dict[str, list[Lived]], month: Month) -> list[str]:
    cells = []
    for lived in each.values():
        one = next(one for one in lived if one.month == month)
        counts = [sum(d is not None for d in one.days), len(one.coats)]
        counts += [sum(map(_blushed, one.coats)), sum(d.early for d in one.waits)]
        cells.append(", ".join(map(str, counts)))
    return cells


def _table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    return [f"| {' | '.join(row)} |" for row in (head, ["---"] * len(head), *rows)]


def lived_through() -> list[Lived]:
    """Live through every month with every finisher, two at a time."""
    jobs = list(product(MONTHS_LIVED, FINISHERS))
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        return list(pool.map(live, *zip(*jobs, strict=True)))


if __name__ == "__main__":
    BLOCK.print_or_write(lambda: tables(lived_through()))
