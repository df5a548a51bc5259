"""What is shown of an instrument: where it stands, what to do now, and when."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Literal

from service.shop.projection import ReadyTime
from service.shop.said import say
from service.shop.schedule import Position

__all__ = ["InstrumentCard", "NextAct", "PartCard", "PlannedMove", "State", "next_act", "order"]

WINDOW_CLOSED = say("The recoat window may have closed: scuff sand before this coat.")

State = Literal["ready", "waiting", "unknown", "finished"]


@dataclass(frozen=True)
class NextAct:
    """The open step of an instrument.

    ``state`` is *ready* (do it now), *waiting* (a clock runs), *unknown* (a clock runs without
    air) or *finished* (the schedule is through). ``wait`` is the mark it waits for, if any.
    ``caution`` says what must come first although the clock has run.
    """

    state: State
    step_key: str | None
    step_kind: str | None
    step_name: str
    how: str
    material_id: str | None
    coat_number: int | None
    coats: int | None
    wait: ReadyTime | None
    waits_for: str
    caution: str = ""


@dataclass(frozen=True)
class PartCard:
    """One part of an instrument: what comes next on it, and whether the open act is for it."""

    part: str
    act: NextAct
    due: bool


@dataclass(frozen=True)
class PlannedMove:
    """A move that is yet to come, or to be made; it counts as made when its time has come."""

    id: int
    place_id: str
    at: datetime


@dataclass(frozen=True)
class InstrumentCard:
    """An instrument as the list shows it."""

    id: int
    shop_number: str
    kind: str
    woods: str
    plate_mm: float
    schedule_id: str
    schedule_name: str
    place_id: str | None
    steps_done: int
    steps: int
    act: NextAct
    marks: tuple[ReadyTime, ...]
    last_coat_id: int | None
    last_coat_at: datetime | None
    parts: tuple[PartCard, ...] = ()
    """Parts that are coated by themselves; empty where it is coated as one."""
    moves: tuple[PlannedMove, ...] = ()
    """Where it will hang from when on, soonest first."""
    due_move: PlannedMove | None = None
    """A planned move whose time has come, until somebody says that it was made."""


def next_act(place: Position, marks: tuple[ReadyTime, ...]) -> NextAct:
    """Say what an instrument's open step is waiting for."""
    step = place.step
    if step is None:
        return NextAct("finished", None, None, "finished", "", None, None, None, None, "")
    wait = next((mark for mark in marks if mark.mark == place.wait_mark), None)
    state: State = "ready"
    if wait is not None and not wait.reached:
        state = "waiting" if wait.ready_at is not None or wait.elapsed_h > 0 else "unknown"
    return NextAct(
        state=state,
        step_key=step.key,
        step_kind=step.kind,
        step_name=step.name,
        how=step.how,
        material_id=step.material,
        coat_number=place.coat_number,
        coats=step.coats or None,
        wait=wait,
        waits_for="" if state == "ready" or wait is None else _waits_for(wait),
        caution=WINDOW_CLOSED if wait is not None and wait.closed and step.coats else "",
    )


def order(cards: list[InstrumentCard]) -> list[InstrumentCard]:
    """Sort by who is ready first: ready now, then by ready time, unknown, finished last."""
    rank = {"ready": 0, "waiting": 1, "unknown": 2, "finished": 3}
    never = datetime.max.replace(tzinfo=UTC)

    def key(card: InstrumentCard) -> tuple[int, datetime, str]:
        wait = card.act.wait
        at = wait.ready_at if wait is not None and wait.ready_at is not None else never
        return rank[card.act.state], at, card.shop_number

    return sorted(cards, key=key)


def _waits_for(wait: ReadyTime) -> str:
    words = {
        "handle": say("the coat to be dry to the touch of masking and hands"),
        "recoat": say("the coat to take the next one"),
        "sand": say("the coat to sand without gumming"),
        "rub_out": say("the finish to be hard enough to level and rub out"),
        "wipe": say("the oil to soak before it is wiped"),
        "buff": say("the oil to harden before it is buffed"),
        "cut": say("the fill to be hard enough to file"),
        "unclamp": say("the glue to hold without clamps"),
        "load": say("the glue to be strong enough for strings"),
    }
    return words.get(wait.mark, say("the {mark} mark", mark=wait.mark))
