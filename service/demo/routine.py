"""One piece of the season: the routine round its coats, and where a story departs from it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from service.demo.acts import Act, Found, Story
from service.demo.plot import Plot, Slot

__all__ = ["CLEAR_COATS", "MARIT", "MATERIAL", "ODO", "Coats", "Done", "as_usual", "story_of"]

MATERIAL, SEALER = "nitro-lacquer-gun", "vinyl-sealer-can"
CLEAR_COATS = 10
USUAL_UM, USUAL_CM, SEALER_CM = 80.0, 20.0, 22.0
BATCH_FOR = timedelta(days=33)
MARIT, ODO = "Marit", "Odo"
"""The two at the benches; invented like everything here."""

Coats = tuple[tuple[Slot, dict[str, object]], ...]
"""When each coat went on, and what was different about it."""


@dataclass(frozen=True)
class Done:
    """Coats as they went on, and how a routine is departed from; days count from the last coat."""

    coats: Coats
    level_day: int = 13
    cased_day: float | None = None
    extra: tuple[Act, ...] = ()

    @property
    def last(self) -> datetime:
        """When the last coat went on."""
        return self.coats[-1][0].at


def story_of(
    plot: Plot,
    done: Done,
    found: Found | None,
    instrument: tuple[str, str, float],
    who: str,
    rng: np.random.Generator,
) -> Story:
    """Put the routine round the coats: sealer before them, cure and handwork after, and away."""
    kind, woods, plate_mm = instrument
    first, last = done.coats[0][0].at, done.last
    seal = plot.good_before(first - timedelta(hours=2), 1)
    seal_at = seal[0].at if seal else first - timedelta(hours=4)
    acts = [
        Act(seal_at - timedelta(hours=1), "hang", "booth"),
        Act(
            seal_at,
            "coat",
            "",
            {"material_id": SEALER, "batch": "VS 08", "distance_cm": SEALER_CM, "who": who},
        ),
        Act(seal_at + timedelta(minutes=75), "step", "scuff", {"who": who}),
        Act(seal_at + timedelta(minutes=95), "step", "mask", {"who": who}),
    ]
    for slot, said in done.coats:
        given = {
            "material_id": MATERIAL,
            "wet_um": round(USUAL_UM * float(np.exp(rng.normal(0.0, 0.05))), 1),
            "distance_cm": round(USUAL_CM + float(rng.normal(0.0, 1.0))),
            "batch": _batch(plot, slot.at),
            "who": who,
        }
        acts.append(Act(slot.at, "coat", "", given | said))
    to_rack = last + timedelta(hours=2)
    if done.cased_day is not None:
        cased = last + timedelta(days=done.cased_day)
        acts.append(Act(cased, "hang", "wood-store"))
        acts.append(Act(plot.day(cased, 3, 9.5), "hang", "rack"))
    acts.append(Act(to_rack, "hang", "rack"))
    level = plot.day(last, done.level_day, 9.6)
    acts += [
        Act(level, "step", "level", {"who": who}),
        Act(level + timedelta(days=1, hours=1), "step", "rub", {"who": who}),
        Act(level + timedelta(days=2), "step", "setup", {"who": who}),
    ]
    if done.level_day > 10 and found is None:
        acts.append(Act(level + timedelta(minutes=40), "said", "clean", {"who": who}))
    acts += done.extra
    ends = [act.at for act in acts] + ([found.at] if found else [])
    gone = plot.day(max(ends), 2, 15.0)
    came = max(plot.day(seal_at, -5, 11.0), plot.air.spans.begin)
    return Story(
        kind, woods, plate_mm, came, gone, tuple(sorted(acts, key=lambda act: act.at)), found
    )


def as_usual(slots: Sequence[Slot]) -> Coats:
    """Return coats that went on as they should."""
    return tuple((slot, {}) for slot in slots)


def _batch(plot: Plot, at: datetime) -> str:
    return f"LQ {31 + int((at - plot.air.spans.begin) / BATCH_FOR)}"
