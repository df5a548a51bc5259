"""What a message says: one notice, or several of a kind."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from service.shop.notices import NOTICE_KINDS

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
        return f"{name} ({len(lines)})"
    if len(pieces) > 1 and name.startswith("Ready "):
        return f"{len(pieces)} pieces {name[:1].lower()}{name[1:]}"
    return f"{name}: {len(pieces)} pieces" if len(pieces) > 1 else name


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
        said.insert(0, f"{len(lines) - len(shown)} earlier ones are on the page.")
    if no_answer_from:
        said.append(f"{no_answer_from} has not reacted.")
    return "\n".join(said)
