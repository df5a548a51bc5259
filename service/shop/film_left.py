"""How much film lies on a piece, and what levelling would leave of it, on the cautious side.

What must not be sanded through is the clear film over the last colour, or where there is no colour
everything over the wood. A wet thickness is taken as it lies after a can's propellant has gone
(assumed).
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from service.science import build, solvents
from service.shop.materials import Material
from service.shop.schedule import Schedule, Step

__all__ = ["Applied", "FilmLeft", "Handwork", "film_left", "solids_by_volume"]

COLOUR_KINDS = frozenset({"tone", "burst"})
SANDING_KINDS = frozenset({"scuff_sand", "level_sand", "rub_out"})

SCUFFED_UM = 4.0
"""Taken off by one scuff sanding or rubbing out, where nobody said how much (assumed)."""

TEXTURE_UM = 20.0
"""From peak to valley of a sprayed film before it is levelled (assumed)."""

KEEP_UM = 25.0
"""Film to be left for rubbing out and wear (assumed)."""

FIRST_GRADE = "P800"
"""The first grade of a levelling whose step names none (common practice)."""


@dataclass(frozen=True)
class Applied:
    """A coat that stands, in order; ``kind`` is that of its step."""

    kind: str
    material: Material | None
    wet_um: float
    retarder_pct: float = 0.0
    step_key: str = ""


@dataclass(frozen=True)
class Handwork:
    """A sanding or rubbing that was done, after so many of the coats."""

    kind: str
    after_coats: int
    removed_um: float | None = None


@dataclass(frozen=True)
class FilmLeft:
    """Film over colour (or wood), µm.

    ``left_um`` and ``least_um`` are what the next levelling would leave, in the middle and on the
    cautious side; both None where no levelling is to come. ``unknown`` names materials whose solids
    are not known: then the film is at least this.
    """

    over: str
    coats: int
    dry_um: float
    sd_um: float
    coats_to_come: int = 0
    """Coats that the schedule puts on before the next levelling; they count for what it leaves."""
    next_step: str | None = None
    first_grade: str | None = None
    left_um: float | None = None
    least_um: float | None = None
    keep_um: float = KEEP_UM
    sand_through: bool = False
    unknown: tuple[str, ...] = ()


def solids_by_volume(material: Material) -> float | None:
    """Return the part of a wet film that stays, by volume; None where it is not known.

    From the material's own figure, or from its blend without propellant by adding up volumes.
    """
    if material.volume_solids is not None:
        return material.volume_solids.value
    blend = material.blend
    if blend is None:
        return None
    gas = math.fsum(fraction for _, fraction in blend.propellant)
    liquid = [(solvents.get(name), fraction) for name, fraction in blend.solvents]
    mass = math.fsum(fraction for _, fraction in liquid)
    volume = math.fsum(fraction / s.density_kg_m3 for s, fraction in liquid)
    share = blend.solids_pct / 100.0 / (1.0 - gas)
    return float(build.volume_solids(share, blend.polymer_density_kg_m3, mass / volume))


def film_left(
    coats: Sequence[Applied],
    handwork: Sequence[Handwork],
    schedule: Schedule | None,
    open_index: int,
    to_come: Callable[[Step], Applied | None] = lambda _step: None,
) -> FilmLeft:
    """Reckon the film that stands, and what the next levelling of the schedule would leave.

    The coats that the schedule puts on before that levelling count for what it leaves.

    Parameters
    ----------
    coats, handwork : sequence
        What was done on one part, oldest first.
    schedule : Schedule or None
        What is still to come.
    open_index : int
        Index of its open step.
    to_come : callable
        Of a step: one coat of it as it is usually put on, or None where it takes none.
    """
    colour = max((i for i, c in enumerate(coats) if c.kind in COLOUR_KINDS), default=-1)
    over = coats[colour + 1 :]
    unknown = sorted({c.material.name if c.material else "?" for c in over if _dry(c) is None})
    dry = [um for c in over if (um := _dry(c)) is not None]
    sanded = math.fsum(
        SCUFFED_UM if work.removed_um is None else work.removed_um
        for work in handwork
        if work.kind in SANDING_KINDS and work.after_coats > colour + 1
    )
    film = build.stack(dry, sanded_um=sanded)
    found = FilmLeft(
        over="colour" if colour >= 0 else "wood",
        coats=len(over),
        dry_um=film.dry_um,
        sd_um=film.sd_um,
        unknown=tuple(unknown),
    )
    ahead = (schedule.steps if schedule else ())[open_index:]
    at = next((i for i, s in enumerate(ahead) if s.kind == "level_sand"), None)
    if at is None or not dry:
        return found
    step, coming = ahead[at], _coming(ahead[:at], coats, to_come)
    if any(coat.kind in COLOUR_KINDS for coat in coming):
        return found  # what lies now will be under the colour
    grade = _first_grade(step.how)
    more = [um for c in coming if (um := _dry(c)) is not None]
    levelled = build.level(
        build.stack([*dry, *more], sanded_um=sanded),
        texture_um=TEXTURE_UM,
        first_grade=grade,
        keep_um=KEEP_UM,
    )
    return replace(
        found,
        coats_to_come=len(coming),
        next_step=step.name,
        first_grade=grade,
        left_um=levelled.left_um,
        least_um=levelled.least_um,
        sand_through=levelled.sand_through,
    )


def _coming(
    steps: Sequence[Step], coats: Sequence[Applied], to_come: Callable[[Step], Applied | None]
) -> list[Applied]:
    """Return the coats that steps still put on; those of the open one that are on are not."""
    found: list[Applied] = []
    for index, step in enumerate(steps):
        one = to_come(step)
        if one is not None:
            on = sum(coat.step_key == step.key for coat in coats) if index == 0 else 0
            found += [one] * max(0, step.coats - on)
    return found


def _dry(coat: Applied) -> float | None:
    solids = None if coat.material is None else solids_by_volume(coat.material)
    if solids is None:
        return None
    # A retarder is so much of the mix: the rest carries the solids.
    return float(build.dry_film(coat.wet_um, solids * (1.0 - coat.retarder_pct / 100.0)))


def _first_grade(how: str) -> str:
    """Return the coarsest grade that a step names."""
    named = [grade for grade in re.findall(r"P\d{2,4}", how) if grade in build.ABRASIVES_UM]
    return max(named, key=build.grain_size, default=FIRST_GRADE)
