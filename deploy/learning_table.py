"""How well a shop's time scale is learned: simulated shops with hidden scales, in a table.

    python deploy/learning_table.py           prints the tables
    python deploy/learning_table.py --write   puts them into dashboards/docs/learning.md

Each shop has a scale of its own, each coat a time of its own, and a finisher who looks at a random
moment and says what is there, now and then wrongly. None of that is told to the tool.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from document import Block

from service.shop.learning import Observation, Prior, update
from service.shop.materials import Material
from service.store.catalogue import load_catalogue

BLOCK = Block.of("learning.md", "learning_table.py")

MATERIAL = "nitro-lacquer-gun"
DOZEN = 12
TAPS = (0, 3, 6, 12, 24, 48)
SHOPS = 400
SEED = 20260307
SOONEST, LATEST = 0.6, 1.65
"""A look comes at a random share of the reference time between these, even in its logarithm."""


@dataclass(frozen=True)
class World:
    """How shops really are, which the tool does not know."""

    name: str
    marks: tuple[str, ...] = ("recoat",)
    farther: float = 1.0
    """Shops lie so many times further from the reference than the tool expects."""
    rougher: float = 1.0
    """Coats differ so many times more from each other."""
    wrong: float = 0.03
    """Share of taps that are wrong."""
    looks: int = 1
    """Most looks at one coat: again 15 % later while it is not ready."""


WORLDS = (
    World("as the tool assumes"),
    World("taps never wrong", wrong=0.0),
    World("one tap in ten wrong", wrong=0.1),
    World("coats twice as uneven", rougher=2.0),
    World("shops twice as far off", farther=2.0),
    World("looks until it is ready, five times at most", looks=5),
    World("taps on sanding and rubbing out in turn", marks=("sand", "rub_out")),
)


@cache
def material() -> Material:
    """Return the material that is tapped on."""
    return load_catalogue().materials[MATERIAL]


@dataclass(frozen=True)
class Shop:
    """A hidden scale (logarithm) and the taps that came of it, in order."""

    scale: float
    taps: tuple[Observation, ...]


def shop_of(world: World, coated: Material, taps: int, rng: np.random.Generator) -> Shop:
    """Make a shop and let its finisher tap so many times."""
    prior = Prior.of(coated)
    scale = float(rng.normal(0.0, world.farther * prior.scale_sd))
    own = {m.name: float(rng.normal(0.0, m.own_sd)) if m.own_sd else 0.0 for m in prior.marks}
    made: list[Observation] = []
    coat = 0
    while len(made) < taps:
        name = world.marks[coat % len(world.marks)]
        ready_at = scale + own[name] + rng.normal(0.0, world.rougher * prior.piece_sd)
        at = rng.uniform(np.log(SOONEST), np.log(LATEST))
        for _ in range(world.looks):
            is_ready = bool(at > ready_at)
            said = is_ready != bool(rng.random() < world.wrong)
            hours = coated.marks[name].hours * float(np.exp(at))
            made.append(Observation(coat, name, hours, said, piece=coat))
            if said:
                break
            at += np.log(1.15)
        coat += 1
    return Shop(scale, tuple(made[:taps]))


def shops(world: World, count: int = SHOPS, seed: int = SEED) -> list[Shop]:
    """Make many shops."""
    rng = np.random.default_rng(seed)
    return [shop_of(world, material(), max(TAPS), rng) for _ in range(count)]


@dataclass(frozen=True)
class Measured:
    """Over many shops, after so many taps.

    Attributes
    ----------
    error_pct
        Root mean square error of the middle, % of the hidden scale.
    width_pct
        Mean width of the 80 % range, % of the middle.
    held_pct
        Share of shops whose hidden scale lay in it, %.
    """

    error_pct: float
    width_pct: float
    held_pct: float


def measured(made: Sequence[Shop], taps: int) -> Measured:
    """Let the tool learn from the first taps of each shop, and compare with what is hidden."""
    prior = Prior.of(material())
    found = [update(prior, shop.taps[:taps]) for shop in made]
    hidden = np.exp([shop.scale for shop in made])
    middle, low, high = (
        np.array([getattr(posterior, name) for posterior in found])
        for name in ("middle", "low", "high")
    )
    return Measured(
        error_pct=100.0 * float(np.sqrt(np.mean((middle / hidden - 1.0) ** 2))),
        width_pct=100.0 * float(np.mean((high - low) / middle)),
        held_pct=100.0 * float(np.mean((low <= hidden) & (hidden <= high))),
    )


@dataclass(frozen=True)
class Slip:
    """One wrong tap in a dozen: by how many % it moves the middle.

    ``inside`` says whether that stays within the 80 % range of the right dozen.
    """

    moved_pct: float
    inside: bool


def slip_of(shop: Shop, which: int) -> Slip:
    """Let one of a shop's first dozen taps be the wrong one."""
    prior = Prior.of(material())
    taps = list(shop.taps[:DOZEN])
    right = update(prior, taps)
    tap = taps[which]
    taps[which] = Observation(tap.coat, tap.mark, tap.hours, not tap.ready, tap.piece)
    wrong = update(prior, taps)
    return Slip(
        100.0 * abs(wrong.middle / right.middle - 1.0), right.low <= wrong.middle <= right.high
    )


def slips(count: int = SHOPS, seed: int = SEED) -> list[Slip]:
    """Let each of the first dozen taps of each shop be the wrong one in turn."""
    made = shops(World("no other tap wrong", wrong=0.0), count, seed)
    return [slip_of(shop, which) for shop in made for which in range(DOZEN)]


def tables() -> str:
    """Return the tables as Markdown."""
    rows = [(world, [measured(shops(world), taps) for taps in TAPS]) for world in WORLDS]

    def table(title: str, cell: Callable[[Measured], str]) -> list[str]:
        lines = [f"{title}, after so many taps:", ""]
        lines.append("| shops | " + " | ".join(map(str, TAPS)) + " |")
        lines.append("|---" * (len(TAPS) + 1) + "|")
        lines += [f"| {w.name} | " + " | ".join(map(cell, found)) + " |" for w, found in rows]
        return [*lines, ""]

    slipped = slips()
    moved = [slip.moved_pct for slip in slipped]
    lines = table(
        "Error of the middle (root mean square, %) and mean width of its 80 % range (%)",
        lambda m: f"{m.error_pct:.1f} ({m.width_pct:.0f})",
    )
    lines += table("Share of shops (%) whose hidden scale lay in the 80 % range", _held)
    lines.append(
        f"One wrong tap in a dozen, in {SHOPS} shops that are else always right, moves the middle "
        f"by {np.mean(moved):.1f} % in the mean, by {np.percentile(moved, 95):.1f} % or less in 95 "
        f"of 100 cases and by {np.max(moved):.1f} % at the very most; it stays within the 80 % "
        f"range of the right dozen in {100 * np.mean([s.inside for s in slipped]):.1f} of 100."
    )
    return "\n".join(lines)


def _held(found: Measured) -> str:
    return f"{found.held_pct:.0f}"


if __name__ == "__main__":
    BLOCK.print_or_write(tables)
