"""A payload as its leaves: every single value with the way that leads to it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from sensors.pointer import pointer_to
from sensors.units import unit_called
from sensors.wire import PayloadError, parsed

__all__ = ["Leaf", "document_of", "leaves_of", "number_in", "tokens"]

DEEPEST, MOST_LEAVES = 8, 200

_VALUE_NAMES = frozenset({"value", "val", "v", "state", "current", "reading", "measured"})
_UNIT_NAMES = ("unit", "units", "uom", "unit_of_measurement", "u")
_NAME_NAMES = ("name", "type", "quantity", "measurement", "kind", "n", "id")

_FIGURE = re.compile(r"\s*([+-]?[0-9]+(?:\.[0-9]+)?)\s*([^\d\s].{0,15})?\s*")
_WORDS = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|[0-9]+")


@dataclass(frozen=True)
class Leaf:
    """One value; ``name`` is what it seems to be called, ``unit`` the unit that stands beside it.

    ``by_place`` says that it is found by its position in a list.
    """

    steps: tuple[str | int, ...]
    value: Any
    name: str
    around: tuple[str, ...]
    unit: str | None
    by_place: bool

    @property
    def pointer(self) -> str:
        """The pointer that leads to it."""
        return pointer_to(*self.steps)


def document_of(payload: bytes) -> Any:
    """Read a payload as JSON, else as text; None where it is neither."""
    try:
        return parsed(payload)
    except PayloadError:
        try:
            return payload.decode("utf-8").strip() or None
        except UnicodeDecodeError:
            return None


def leaves_of(document: Any) -> list[Leaf]:
    """Return the first leaves of a document, not too deep and not too many."""
    found: list[Leaf] = []
    for leaf in _walk(document, (), "", None, ()):
        found.append(leaf)
        if len(found) == MOST_LEAVES:
            break
    return found


def number_in(value: Any) -> tuple[float, str | None] | None:
    """Return the number a value is, with the unit written behind it; None for anything else."""
    if isinstance(value, bool):
        return None
    if isinstance(value, int | float):
        return (float(value), None) if abs(value) < 1e15 else None
    match = _FIGURE.fullmatch(value[:64]) if isinstance(value, str) else None
    if match is None:
        return None
    unit = None if match[2] is None else unit_called(match[2])
    if match[2] is not None and unit is None:
        return None
    return float(match[1]), unit


@lru_cache(4096)  # a hundred sensors of one kind have the same few names
def tokens(name: str) -> tuple[str, ...]:
    """Take a name apart into small words: ``airTemp_c`` is air, temp, c."""
    return tuple(word.lower() for word in _WORDS.findall(name))


def _walk(
    node: Any,
    steps: tuple[str | int, ...],
    name: str,
    unit: str | None,
    around: tuple[str, ...],
) -> Iterator[Leaf]:
    if isinstance(node, dict | list):
        if len(steps) < DEEPEST:
            yield from _inside(node, steps, name, around)
        return
    by_place = any(isinstance(step, int) for step in steps)
    yield Leaf(steps, node, name, around, unit, by_place)


def _inside(
    node: dict[str, Any] | list[Any],
    steps: tuple[str | int, ...],
    name: str,
    around: tuple[str, ...],
) -> Iterator[Leaf]:
    if isinstance(node, list):
        for index, inner in enumerate(node):
            yield from _walk(inner, (*steps, index), name, None, around)
        return
    unit = _first_text(node, _UNIT_NAMES)
    called = _first_text(node, _NAME_NAMES) or name
    for key, inner in node.items():
        if key.lower() in _VALUE_NAMES and called:
            yield from _walk(inner, (*steps, key), called, unit, around)
        else:
            beside = node.get(f"{key}_unit", node.get(f"{key}Unit"))
            said = beside if isinstance(beside, str) else None
            yield from _walk(inner, (*steps, key), key, said, (*around, *tokens(name)))


def _first_text(node: dict[str, Any], keys: tuple[str, ...]) -> str | None:
    return next((node[key] for key in keys if isinstance(node.get(key), str)), None)
