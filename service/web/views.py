"""What first pages were asked for lately: those are looked at again before they are asked anew."""

from __future__ import annotations

import threading
import time
from collections import OrderedDict
from collections.abc import Hashable
from dataclasses import dataclass
from typing import TypeVar

from service.web.words import Words

__all__ = ["Asked", "Views"]

MOST = 4
"""Pages whose answers are reckoned ahead; each may need a film of its own."""

MOST_WORDS = 2
"""Ways of speaking (language, units, clock) in which figures are drawn ahead."""

LATELY_S = 3600.0
"""A page that nobody asked for in so many real seconds is left to whoever asks next."""


@dataclass(frozen=True)
class Asked:
    """What somebody asks the first page for; what is not known is left to it."""

    place: str | None = None
    material: str | None = None
    instrument: str = ""
    wet_um: float | None = None
    retarder_pct: float = 0.0
    kept_place: str = ""
    kept_material: str = ""


class Views:
    """The first pages that were asked for last; may be used from any thread."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._asked: OrderedDict[Asked, float] = OrderedDict()
        self._words: OrderedDict[Words, float] = OrderedDict()

    def note(self, asked: Asked, words: Words | None = None) -> None:
        """Remember what somebody asked for just now, and the words of a page with a figure."""
        with self._lock:
            _note(self._asked, asked, MOST)
            if words is not None:
                _note(self._words, words, MOST_WORDS)

    def lately(self) -> list[Asked]:
        """Return what was asked for lately, the newest first; without any, the page as it opens."""
        with self._lock:
            return _lately(self._asked) or [Asked()]

    def spoken(self) -> list[Words]:
        """Return the words that figures were drawn in lately, the newest first."""
        with self._lock:
            return _lately(self._words)


Noted = TypeVar("Noted", bound=Hashable)


def _note(noted: OrderedDict[Noted, float], what: Noted, most: int) -> None:
    noted[what] = time.monotonic()
    noted.move_to_end(what)
    while len(noted) > most:
        noted.popitem(last=False)


def _lately(noted: OrderedDict[Noted, float]) -> list[Noted]:
    since = time.monotonic() - LATELY_S
    return [what for what, at in reversed(noted.items()) if at > since]
