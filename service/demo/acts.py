"""What was done on a piece in the season, as plain data: acts, a flaw that was found, the piece."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Literal

__all__ = ["Act", "Found", "Story"]


@dataclass(frozen=True)
class Act:
    """Something done: ``what`` is a coat, the step ``key``, a move to the place ``key``, a verdict.

    ``given`` is what is said with it: figures of a coat, who, a note.
    """

    at: datetime
    what: Literal["coat", "step", "hang", "said"]
    key: str = ""
    given: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Found:
    """A flaw, and what really made it.

    Attributes
    ----------
    made_by
        Cause as the simulation has it, by the word of the table of causes; "" where that has none.
    confirmed
        Whether the shop has found it out.
    """

    at: datetime
    kind: str
    part: str
    severity: int
    note: str
    who: str
    made_by: str
    confirmed: bool = False


@dataclass(frozen=True)
class Story:
    """A piece that came and went."""

    kind: str
    woods: str
    plate_mm: float
    came_at: datetime
    gone_at: datetime
    acts: tuple[Act, ...]
    found: Found | None = None
    number: str = ""
