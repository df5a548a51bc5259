"""Where an instrument stands in its schedule, and what comes next."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

__all__ = ["CoatDone", "Position", "Schedule", "Step", "StepMark", "position"]


@dataclass(frozen=True)
class Step:
    """One line of a schedule.

    ``after`` names the mark of the coat before that must be reached before this step may begin.
    ``coats`` is how many applications the step takes (0: it is handwork). ``until`` is set for a
    step that is nothing but a wait: it ends by itself when that mark is reached.
    """

    key: str
    kind: str
    name: str
    how: str = ""
    material: str | None = None
    coats: int = 0
    between: str = "recoat"
    after: str | None = None
    until: str | None = None


@dataclass(frozen=True)
class Schedule:
    """An ordered list of steps for one kind of finish."""

    id: str
    name: str
    steps: tuple[Step, ...]

    def step(self, key: str) -> Step | None:
        """Return the step of that key, or None."""
        return next((step for step in self.steps if step.key == key), None)


@dataclass(frozen=True)
class CoatDone:
    """A coat that stands (not undone)."""

    id: int
    step_key: str
    material_id: str
    at: datetime
    wet_um: float


@dataclass(frozen=True)
class StepMark:
    """A step recorded as finished (not undone)."""

    step_key: str
    at: datetime


@dataclass(frozen=True)
class Position:
    """The step that is open, how far it is, and the mark it waits for.

    ``step`` is None when the schedule is through. ``wait_mark`` is a mark of ``last_coat``, or
    None where nothing must be waited for.
    """

    step: Step | None
    index: int
    coats_done: int
    last_coat: CoatDone | None
    wait_mark: str | None

    @property
    def coat_number(self) -> int | None:
        """Number of the coat that comes next, counted from one; None for handwork."""
        if self.step is None or self.step.coats == 0:
            return None
        return self.coats_done + 1


def position(
    schedule: Schedule,
    coats: Sequence[CoatDone],
    done: Sequence[StepMark],
    reached: frozenset[str] = frozenset(),
) -> Position:
    """Find the first step that is not finished.

    Parameters
    ----------
    schedule : Schedule
        The instrument's schedule.
    coats, done : sequence
        What was done and stands.
    reached : frozenset of str
        Marks of the last coat that its clock has reached: they end steps that only wait.

    Returns
    -------
    Position
        A coating step is finished when its coats are on, or when it was recorded as finished. A
        step that only waits is over too once a later step has begun: what is put on after it, such
        as oil on a fingerboard, may have no such mark.
    """
    finished = {mark.step_key for mark in done}
    begun = finished | {coat.step_key for coat in coats}
    last = max(coats, key=lambda coat: (coat.at, coat.id), default=None)
    for index, step in enumerate(schedule.steps):
        if step.key in finished:
            continue
        on = [coat for coat in coats if coat.step_key == step.key]
        if step.coats and len(on) >= step.coats:
            continue
        if step.until is not None:
            if last is None or step.until in reached:
                continue
            if any(later.key in begun for later in schedule.steps[index + 1 :]):
                continue
            return Position(step, index, 0, last, step.until)
        wait = step.between if on else step.after
        return Position(step, index, len(on), last, wait if last is not None else None)
    return Position(None, len(schedule.steps), 0, last, None)
