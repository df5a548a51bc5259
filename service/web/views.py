"""What first pages were asked for lately: those are looked at again before they are asked anew."""

from __future__ import annotations

import threading
import time
from collections import OrderedDict
from dataclasses import dataclass

__all__ = ["Asked", "Views"]

MOST = 4
"""Pages whose answers are reckoned ahead; each may need a film of its own."""

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

    def note(self, asked: Asked) -> None:
        """Remember what somebody asked for just now."""
        with self._lock:
            self._asked[asked] = time.monotonic()
            self._asked.move_to_end(asked)
            while len(self._asked) > MOST:
                self._asked.popitem(last=False)

    def lately(self) -> list[Asked]:
        """Return what was asked for lately, the newest first; without any, the page as it opens."""
        since = time.monotonic() - LATELY_S
        with self._lock:
            return [a for a, at in reversed(self._asked.items()) if at > since] or [Asked()]
