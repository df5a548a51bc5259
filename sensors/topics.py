"""Topics with named parts: ``home/{place}/{sensor}/state``, as filters and as matches."""

from __future__ import annotations

import itertools
import re
import unicodedata
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from sensors.payloads import TOPIC_FILTER, TOPIC_ROOT
from sensors.wire import PayloadError, shown

__all__ = ["NAMES", "Pattern", "overlap", "own_pattern", "word_of"]

NAMES = ("place", "sensor", "quantity")
"""Parts a level of a topic may stand for; ``+`` or ``{}`` is a level that does not matter."""

MOST_LEVELS, LONGEST = 16, 256
MOST_FILTERS = 200
LONGEST_WORD = 64


@dataclass(frozen=True)
class Pattern:
    """A topic taken apart into levels.

    ``levels`` holds, for each level, the only texts it may be, or None where any will do; ``named``
    says which levels stand for what.
    """

    levels: tuple[frozenset[str] | None, ...]
    named: Mapping[str, int]

    @classmethod
    def of(cls, text: str, only: Mapping[str, Sequence[str]]) -> Pattern:
        """Take a pattern apart.

        Parameters
        ----------
        only : mapping
            For a named part, the texts it may be; a part that is not in it may be any.

        Raises
        ------
        ValueError
            Saying why this is no topic that could be listened to.
        """
        if not text or len(text) > LONGEST or "\0" in text:
            raise ValueError(f"must be 1 to {LONGEST} characters")
        parts = text.split("/")
        if len(parts) > MOST_LEVELS:
            raise ValueError(f"has {len(parts)} levels; {MOST_LEVELS} at most")
        if parts[0].startswith("$"):
            raise ValueError("begins with $: those topics are the broker's own")
        levels: list[frozenset[str] | None] = []
        named: dict[str, int] = {}
        for index, part in enumerate(parts):
            name = _name(part)
            if name in named:
                raise ValueError(f"names {{{name}}} twice")
            if name:
                named[name] = index
            some = only.get(name) if name else None
            levels.append(frozenset({part}) if name is None else frozenset(some) if some else None)
        if all(level is None for level in levels):
            raise ValueError("needs at least one fixed word, or it would take everything")
        return cls(tuple(levels), named)

    def match(self, topic: str) -> dict[str, str] | None:
        """Return what the named parts are in a topic; None where it does not fit."""
        parts = topic.split("/")
        if len(parts) != len(self.levels):
            return None
        if any(
            level is not None and part not in level
            for level, part in zip(self.levels, parts, strict=True)
        ):
            return None
        return {name: parts[index] for name, index in self.named.items()}

    def filters(self) -> Iterator[str]:
        """Yield the filters that subscribe to exactly these topics."""
        choices = [["+"] if level is None else sorted(level) for level in self.levels]
        for chosen in itertools.product(*choices):
            yield "/".join(chosen)

    def count(self) -> int:
        """How many filters there are."""
        total = 1
        for level in self.levels:
            total *= 1 if level is None else len(level)
        return total


def own_pattern() -> Pattern:
    """Return the pattern of our own topics."""
    return Pattern((frozenset({TOPIC_ROOT}), *(None,) * TOPIC_FILTER.count("/")), {})


def overlap(one: Pattern, other: Pattern) -> bool:
    """Whether there may be a topic that both take."""
    return len(one.levels) == len(other.levels) and all(
        a is None or b is None or a & b for a, b in zip(one.levels, other.levels, strict=True)
    )


def word_of(field: str, text: str) -> str:
    """Return the word that a level of a topic becomes: ``Wood store`` is ``wood-store``.

    Raises
    ------
    PayloadError
        Naming ``field``, where no letter or digit is left.
    """
    plain = unicodedata.normalize("NFKD", text[:LONGEST]).encode("ascii", "ignore").decode()
    word = re.sub(r"[^a-z0-9_]+", "-", plain.lower()).strip("-_")[:LONGEST_WORD]
    if not word:
        raise PayloadError(field, f"{shown(text)} has no letter or digit")
    return word


def _name(part: str) -> str | None:
    """Return the name of a level, "" for one that does not matter, None for a fixed text."""
    if part in {"+", "{}"}:
        return ""
    if "+" in part or "#" in part:
        raise ValueError(f"{shown(part)}: + stands alone in its level, and # is not taken")
    if "{" not in part and "}" not in part:
        return None
    if part[1:-1] in NAMES and part == f"{{{part[1:-1]}}}":
        return part[1:-1]
    known = ", ".join(f"{{{name}}}" for name in NAMES)
    raise ValueError(f"{shown(part)} is none of {known}; a name fills its whole level")
