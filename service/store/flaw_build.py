"""Film on a flawed part, against what its schedule would have built by then."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from service.shop.evidence.model import FilmBuild
from service.shop.film_left import Applied, Handwork, film_left
from service.shop.schedule import Schedule
from service.store.catalogue import Catalogue
from service.store.tables import Coat, StepDone

__all__ = ["film_build"]


def film_build(
    coats: Sequence[Coat],
    steps: Sequence[StepDone],
    schedule: Schedule | None,
    catalogue: Catalogue,
) -> FilmBuild | None:
    """Reckon the dry film of coats less what steps took off, and that of the schedule.

    The schedule's is that of its usual coats up to the step of the last coat, less the same
    handwork. None without a coat.
    """
    if not coats:
        return None
    kinds = {step.key: step.kind for step in schedule.steps} if schedule else {}
    applied = [
        Applied(
            kinds.get(c.step_key, "clear_coat"),
            catalogue.material_of(c.material_id, c.material_version),
            c.wet_um,
            c.retarder_pct,
            c.step_key,
        )
        for c in coats
    ]
    work = [
        Handwork(kinds.get(s.step_key, ""), sum(c.at <= s.at for c in coats), s.removed_um)
        for s in steps
    ]
    done = film_left(applied, work, None, 0)
    planned = _planned(applied, schedule, catalogue)
    if not planned:
        return FilmBuild(done.dry_um, None, None)
    same = [replace(one, after_coats=min(one.after_coats, len(planned))) for one in work]
    meant = film_left(planned, same, None, 0)
    known = meant.dry_um > 0.0 and not meant.unknown and not done.unknown
    return FilmBuild(done.dry_um, meant.dry_um, done.dry_um / meant.dry_um if known else None)


def _planned(
    coats: Sequence[Applied], schedule: Schedule | None, catalogue: Catalogue
) -> list[Applied]:
    """Coats as the schedule has them, up to the step that the last coat belongs to."""
    if schedule is None:
        return []
    found: list[Applied] = []
    last = coats[-1].step_key
    for step in schedule.steps:
        material = catalogue.materials.get(step.material or "")
        if material is not None:
            on = sum(coat.step_key == step.key for coat in coats)
            many = min(on, step.coats) if step.key == last else step.coats
            found += [Applied(step.kind, material, material.usual_wet_um, 0.0, step.key)] * many
        if step.key == last:
            return found
    return []
