"""The phrases in a language: the same names, each said as the catalogue has it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from functools import cache
from typing import Any

from service.web import phrases
from service.web.tongue import ENGLISH, Tongue

__all__ = ["PhrasesIn"]


class PhrasesIn:
    """Gives what :mod:`service.web.phrases` holds in a language."""

    def __init__(self, tongue: Tongue) -> None:
        self._tongue = tongue
        self._one = cache(self._get)

    def __getattr__(self, name: str) -> Any:
        return self._one(name)

    def of(self, known: Mapping[Any, Any]) -> dict[Any, Any]:
        """A table of phrases in the language."""
        return {key: self._said(value) for key, value in known.items()}

    def named(self, things: Mapping[str, Any]) -> Mapping[str, Any]:
        """Give things (materials, schedules) by id as they are now, their names in the language."""
        return things if self._tongue is ENGLISH else _Named(things, self._tongue)

    def _get(self, name: str) -> Any:
        known = getattr(phrases, name)
        if self._tongue is ENGLISH:
            return known
        if isinstance(known, Mapping):
            return self.of(known)
        return self._saying(known) if callable(known) else known

    def _said(self, value: Any) -> Any:
        if isinstance(value, str):
            return self._tongue.said(value)
        if isinstance(value, Mapping):
            return self.of(value)
        return tuple(map(self._said, value)) if isinstance(value, tuple) else value

    def _saying(self, phrase: Callable[..., Any]) -> Callable[..., Any]:
        return lambda *given: self._said(phrase(*given))


class _Named(Mapping[str, Any]):
    """Looks through to things that may change, and says their names."""

    def __init__(self, things: Mapping[str, Any], tongue: Tongue) -> None:
        self._things, self._tongue = things, tongue

    def __getitem__(self, key: str) -> Any:
        thing = self._things[key]
        return replace(thing, name=self._tongue.said(thing.name))

    def __iter__(self) -> Iterator[str]:
        return iter(self._things)

    def __len__(self) -> int:
        return len(self._things)
