"""A piece's acts to come, out of its schedule: what to do, how long it takes, what it waits for."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

from service.shop.plan.model import Act, Chain
from service.shop.schedule import Schedule, Step

__all__ = ["MINUTES", "Wait", "acts_ahead"]

MINUTES: Mapping[str, int] = MappingProxyType(
    {
        "seal": 20, "tone": 20, "burst": 25, "clear_coat": 20, "oil": 20, "glue": 30,
        "scuff_sand": 30, "mask": 45, "level_sand": 180, "rub_out": 120, "set_up": 120, "cure": 0,
    }
)  # fmt: skip
"""Minutes that a hand is on the piece, by kind of step (assumed)."""

Wait = Callable[[str, str], tuple[int, int | None]]
"""Of a material and its mark: minutes until it is reached, and until its window closes again."""


def acts_ahead(
    piece: str,
    schedule: Schedule,
    open_index: int,
    coats_on: int,
    first_wait_min: int,
    last_material: str | None,
    wait_of: Wait,
    sprays: Callable[[str], bool],
) -> Chain:
    """Lay out what is to come on a piece.

    Parameters
    ----------
    piece : str
        Its shop number.
    schedule, open_index, coats_on : Schedule, int, int
        Its schedule, the open step, and the coats of that step that are on.
    first_wait_min : int
        Minutes until the open step may begin.
    last_material : str or None
        Material of its last coat.
    wait_of, sprays : callable
        Waits in the air expected; whether a material is sprayed.

    A wait that the act before has already sat out is not waited for twice.
    """
    acts: list[Act] = []
    waited, under, rest = 0, last_material, 0
    for offset, step in enumerate(schedule.steps[open_index:]):
        opening = offset == 0
        if step.until is not None:
            asked = first_wait_min if opening else _of(wait_of, under, step.until)[0]
            rest = max(rest, asked if opening else max(0, asked - waited))
            continue
        for number in range(coats_on if opening else 0, max(1, step.coats)):
            mark = step.between if step.coats and number else step.after
            need, closes = _of(wait_of, under, mark)
            if opening and number == coats_on:
                need, closes = first_wait_min, None
            else:
                need = max(0, need - waited)
            need, rest = max(need, rest), 0
            acts.append(_act(step, number, need, closes, sprays))
            waited = 0 if step.material else waited + need + acts[-1].minutes
            under = step.material or under
    return Chain(piece, tuple(acts), rest)


def _of(wait_of: Wait, material_id: str | None, mark: str | None) -> tuple[int, int | None]:
    return (0, None) if material_id is None or mark is None else wait_of(material_id, mark)


def _act(
    step: Step, number: int, need: int, closes: int | None, sprays: Callable[[str], bool]
) -> Act:
    coat = step.material is not None
    return Act(
        step_key=step.key,
        name=step.name,
        minutes=MINUTES.get(step.kind, 30),
        wait_min=need,
        # A window that is shorter than its own wait is no window.
        closes_min=closes if closes is not None and closes > need else None,
        material_id=step.material,
        number=number + 1 if coat else None,
        of=step.coats if coat else None,
        in_booth=step.material is not None and sprays(step.material),
        masks=step.kind == "mask",
    )
