"""How far a coat's clock was when something was done to it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import datetime

from service.shop.evidence.model import Wait
from service.shop.learning import Z80, MarkScale, mark_sd
from service.shop.materials import Material
from service.shop.projection import GAP_SD, ReadyTime
from service.shop.schedule import Schedule, Step

__all__ = ["hardest", "mark_before", "wait_of"]


def wait_of(
    coat_id: int,
    coat_at: datetime,
    at: datetime,
    mark: str,
    times: Sequence[ReadyTime],
    material: Material,
    scales: Mapping[str, MarkScale],
) -> Wait | None:
    """Return the wait of a coat towards a mark, as its clock stood at ``at``.

    Parameters
    ----------
    times : sequence of ReadyTime
        The coat's marks reckoned with ``at`` as the present.
    material, scales
        Its material, and what the shop has learned of its marks.

    Returns
    -------
    Wait or None
        None where the material has no such mark, or no air of the wait is known.
    """
    found = next((t for t in times if t.mark == mark), None)
    without_air = found is not None and found.ready_at is None and found.elapsed_h == 0.0
    if found is None or without_air or found.needed_h <= 0.0:
        return None
    figure, learned = material.marks[mark], scales.get(mark)
    waited_h = max(0.0, (at - coat_at).total_seconds() / 3600.0)
    hole_sd = GAP_SD * min(1.0, found.gap_h / max(waited_h, 1e-9))
    sd = math.hypot(mark_sd(figure) if learned is None else learned.sd_log, hole_sd)
    clock = found.elapsed_h / found.needed_h
    closes = figure.closes_hours
    scale = 1.0 if learned is None else learned.middle
    return Wait(
        coat_id=coat_id,
        mark=mark,
        clock=clock,
        clock_low=clock * math.exp(-Z80 * sd),
        clock_high=clock * math.exp(Z80 * sd),
        waited_h=waited_h,
        elapsed_h=found.elapsed_h,
        needed_h=found.needed_h,
        missing_h=found.gap_h,
        bridged_h=max(0.0, found.gap_h - found.trailing_gap_h),
        closed_part=None if closes is None else found.elapsed_h / (closes * scale),
    )


def mark_before(
    schedule: Schedule | None, step: Step | None, *, recoat: bool = False
) -> str | None:
    """Return the mark that the coat below had to reach before a step.

    It is what the step itself asks for (from coat to coat with ``recoat``), or a step before it
    that is nothing but a wait.
    """
    if schedule is None or step is None:
        return None
    if recoat:
        return step.between
    if step.after is not None:
        return step.after
    asked = None
    for earlier in schedule.steps:
        if earlier.key == step.key:
            break
        if earlier.material is not None:
            asked = None
        asked = earlier.until or asked
    return asked


def hardest(material: Material) -> str:
    """Return the mark that comes last."""
    return max(material.marks.values(), key=lambda mark: mark.hours).name
