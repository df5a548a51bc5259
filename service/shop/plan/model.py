"""What is planned: acts in chains, the hours and windows they may fall in, and where they fell."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

__all__ = [
    "SLOT_MIN",
    "TAPE_OUT_MIN",
    "Act",
    "Chain",
    "Hours",
    "Placed",
    "Plan",
    "Rules",
    "Stretch",
    "joined",
    "tape_is_out",
    "up",
]

SLOT_MIN = 5
"""Minutes of one slot; every instant here is whole minutes from the plan's beginning."""

TAPE_OUT_MIN = 30
"""Minutes after a masking for which tape, paper and knives still lie ready (assumed)."""

Stretch = tuple[int, int]
"""From and until, in minutes from the plan's beginning."""


@dataclass(frozen=True)
class Act:
    """One thing to do on a piece.

    ``wait_min`` must pass from the end of the act before it (on the cautious side); for the first
    act of a chain it counts from the plan's beginning. ``closes_min`` is by when after the act
    before it must have begun, if there is such a window.
    """

    step_key: str
    name: str
    minutes: int
    wait_min: int = 0
    closes_min: int | None = None
    material_id: str | None = None
    number: int | None = None
    of: int | None = None
    in_booth: bool = False
    masks: bool = False

    @property
    def sprayed(self) -> bool:
        """Whether it needs the air of a spray window."""
        return self.in_booth and self.material_id is not None


@dataclass(frozen=True)
class Chain:
    """A piece's acts in their order.

    ``tail_min`` is the wait left after the last one; ``coats_today`` counts coats that were sprayed
    on it in the first working stretch before the plan begins: they count among a day's most.
    """

    piece: str
    acts: tuple[Act, ...]
    tail_min: int = 0
    coats_today: int = 0


@dataclass(frozen=True)
class Hours:
    """When there is somebody: working stretches, one a day at most, in order."""

    working: tuple[Stretch, ...]

    @cached_property
    def until(self) -> int:
        """End of the last stretch."""
        return self.working[-1][1] if self.working else 0


@dataclass(frozen=True)
class Rules:
    """What the shop can do at once, and what it saves by putting like to like.

    Attributes
    ----------
    hours : Hours
        When somebody works.
    windows : mapping
        For a material that is sprayed, the stretches in which the air will do; a material that is
        not in it may be sprayed at any working time.
    hands : int
        People.
    booth : int
        Pieces that may be sprayed at once.
    most_coats_a_day : int
        Coats that one piece takes in a day.
    setup_min : int
        What it costs to clean and fill the gun or set up the cans for one more material in a day.
    mask_setup_min : int
        What it costs to lay out tape, paper and knives, and to clear them away again, for a masking
        that does not follow another one (see :func:`tape_is_out`).
    """

    hours: Hours
    windows: Mapping[str, Sequence[Stretch]] = field(default_factory=dict)
    hands: int = 1
    booth: int = 1
    most_coats_a_day: int = 4
    setup_min: int = 30
    mask_setup_min: int = 15

    def stretches(self, act: Act) -> list[Stretch]:
        """Return where an act may begin: both ends may be taken."""
        material = act.material_id if act.sprayed and act.material_id in self.windows else None
        key = material, act.minutes
        if key not in self._stretches:
            found = []
            for opens, closes in self._open(material):
                first, last = up(opens), closes - act.minutes
                last -= last % SLOT_MIN
                if first <= last:
                    found.append((first, last))
            self._stretches[key] = found
        return self._stretches[key]

    @cached_property
    def _stretches(self) -> dict[tuple[str | None, int], list[Stretch]]:
        """What was asked before: a search asks again and again."""
        return {}

    def _open(self, material: str | None) -> list[Stretch]:
        """Working stretches, cut to the windows of a material where it has some."""
        if material is None:
            return list(self.hours.working)
        windows = sorted(self.windows[material])
        found = []
        for opens, closes in self.hours.working:
            here = [w for w in windows if w[0] < closes and w[1] > opens]
            found += [(max(opens, a), min(closes, b)) for a, b in here]
        return found

    def day_of(self, at: int) -> int | None:
        """Return which working stretch an instant lies in."""
        return next((i for i, (a, b) in enumerate(self.hours.working) if a <= at <= b), None)

    def coats_left(self, chain: Chain, day: int | None) -> int:
        """Return how many coats the plan may put on a piece in a working stretch."""
        return max(0, self.most_coats_a_day - (chain.coats_today if day == 0 else 0))


@dataclass(frozen=True)
class Placed:
    """An act of a chain and when it begins."""

    chain: int
    index: int
    start: int


@dataclass(frozen=True)
class Plan:
    """Acts in order of time; of each chain the first so many, the rest lies beyond."""

    chains: tuple[Chain, ...]
    placed: tuple[Placed, ...]
    made_by: str

    def act(self, placed: Placed) -> Act:
        """Return what was placed."""
        return self.chains[placed.chain].acts[placed.index]

    def end(self, placed: Placed) -> int:
        """Return when it is done."""
        return placed.start + self.act(placed).minutes

    def masked_before(self, placed: Placed) -> Placed | None:
        """Return the masking that this one follows while the tape is out; None: there is none."""
        if not self.act(placed).masks:
            return None
        key = (placed.start, placed.chain, placed.index)
        found = [
            p
            for p in self.placed
            if self.act(p).masks
            and (p.start, p.chain, p.index) < key
            and tape_is_out(p.start, self.end(p), placed.start)
        ]
        return max(found, key=lambda p: (p.start, p.chain, p.index), default=None)


def tape_is_out(begun: int, ended: int, at: int) -> bool:
    """Whether what a masking took is still out at an instant: during it and for a while after."""
    return begun <= at <= ended + TAPE_OUT_MIN


def joined(stretches: Sequence[Stretch]) -> list[Stretch]:
    """Return stretches in order, those that touch or overlap made one."""
    found: list[Stretch] = []
    for opens, closes in sorted(stretches):
        if found and opens <= found[-1][1]:
            found[-1] = (found[-1][0], max(found[-1][1], closes))
        else:
            found.append((opens, closes))
    return found


def up(minute: int) -> int:
    """Round up to a slot."""
    return -(-minute // SLOT_MIN) * SLOT_MIN
