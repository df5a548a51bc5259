"""Parts of an instrument that are masked and coated by themselves, and what they make together.

Back, sides, top, neck and head are coated at different times, so each has its place in the schedule
and a drying clock of its own. The instrument's next act is that of the parts that are furthest
behind, and it is ready when the last of those is.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from service.shop.cards import NextAct, next_act
from service.shop.projection import ReadyTime
from service.shop.schedule import Position

__all__ = ["PARTS", "WHOLE", "PartState", "due", "overall", "touches"]

PARTS = ("back", "sides", "top", "neck", "head")
"""Parts that a finisher masks off and coats by themselves (common practice)."""

WHOLE = ""
"""Stands for the whole of an instrument that is coated as one."""


@dataclass(frozen=True)
class PartState:
    """One part: where it stands, the marks of its last coat, and which coat that was."""

    part: str
    position: Position
    marks: tuple[ReadyTime, ...]
    last_coat_id: int | None
    last_coat_at: datetime | None

    @property
    def act(self) -> NextAct:
        """What comes next on this part."""
        return next_act(self.position, self.marks)


def touches(recorded: Iterable[str], parts: Iterable[str]) -> bool:
    """Whether what was recorded on some parts concerns others; nothing named means all of it."""
    named, asked = set(recorded), set(parts) - {WHOLE}
    return not named or not asked or bool(named & asked)


def due(states: Sequence[PartState]) -> tuple[PartState, ...]:
    """Return the parts that are furthest behind in the schedule, by step and then by coats on."""

    def progress(state: PartState) -> tuple[int, int]:
        return state.position.index, state.position.coats_done

    least = min(map(progress, states))
    return tuple(state for state in states if progress(state) == least)


def overall(states: Sequence[PartState]) -> PartState:
    """Return the state that speaks for the instrument: of the parts due, the last to be ready."""
    never = datetime.max.replace(tzinfo=UTC)
    rank = {"finished": 0, "ready": 0, "waiting": 1, "unknown": 2}

    def lateness(state: PartState) -> tuple[int, datetime]:
        act = state.act
        at = act.wait.ready_at if act.wait is not None else None
        if at is None:
            at = never if act.state == "waiting" else datetime.min.replace(tzinfo=UTC)
        return rank[act.state], at

    return max(due(states), key=lateness)
