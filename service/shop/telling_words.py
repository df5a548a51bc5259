"""What a message says: one notice, or several of a kind."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from service.shop.notices import NOTICE_KINDS
from service.shop.said import say

__all__ = ["Line", "body_of", "title_of"]

MOST_LINES = 12
"""As many notices are written out in one message; more are counted."""

LATE = timedelta(minutes=10)
"""A notice older than this says when it was noticed: what it tells may have moved on."""


@dataclass(frozen=True)
class Line:
    """A notice as a message tells it."""

    text: str
    at: datetime
    instrument_id: int | None = None


def title_of(kind: str, lines: Sequence[Line]) -> str:
    """Return what several notices of a kind are together: "3 pieces ready to sand"."""
    name = NOTICE_KINDS.get(kind, kind)
    if len(lines) < 2:
        return name
    pieces = {line.instrument_id for line in lines}
    if None in pieces:
        return say("{kind} ({count})", kind=name, count=len(lines))
    if len(pieces) < 2:
        return name
    if name.startswith("Ready "):
        return say("{count} pieces {ready}", count=len(pieces), ready=f"r{name[1:]}")
    return say("{kind}: {count} pieces", kind=name, count=len(pieces))


def body_of(
    lines: Sequence[Line],
    now: datetime,
    *,
    local: Callable[[str], str],
    at: Callable[[datetime, datetime], str],
    no_answer_from: str | None = None,
) -> str:
    """Return the text under the title, a line a notice, the newest last.

    ``local`` turns figures into a person's units, ``at`` an instant into their words.
    """
    shown = sorted(lines, key=lambda line: line.at)[-MOST_LINES:]
    said = [
        f"{at(line.at, now)}: {local(line.text)}" if now - line.at > LATE else local(line.text)
        for line in shown
    ]
    if len(lines) > len(shown):
        more = say("{count} earlier ones are on the page.", count=len(lines) - len(shown))
        said.insert(0, local(more))
    if no_answer_from:
        said.append(local(say("{name} has not reacted.", name=no_answer_from)))
    return "\n".join(said)
