"""Who was turned away at the embedded broker lately, and why: for the page, and one log line each.

Without it a sensor with a wrong password is silent, and nobody can tell it from a broken one.
"""

from __future__ import annotations

import logging
import threading
import time
from collections import OrderedDict
from dataclasses import dataclass
from datetime import datetime

from amqtt.session import Session

from service.clock import Clock, WallClock

__all__ = ["Refusal", "ToldOff"]

KEPT_MOST = 50
LOG_AGAIN_S = 600.0

log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Refusal:
    """One visitor's refusals for one reason."""

    address: str
    user: str | None
    why: str
    count: int
    last_at: datetime


class ToldOff:
    """Keeps the last refusals, each address, user and reason once."""

    def __init__(self, clock: Clock | None = None) -> None:
        self._now = (clock or WallClock()).now
        self._lock = threading.Lock()
        self._kept: OrderedDict[tuple[str, str | None, str], Refusal] = OrderedDict()
        self._logged: dict[tuple[str, str | None, str], float] = {}

    def note(self, session: Session, why: str) -> None:
        """Note that a visitor was turned away, or hung up on."""
        self.note_visitor(session.remote_address or "?", session.username, why)

    def note_visitor(self, address: str, user: str | None, why: str) -> None:
        """Note it by address and user name."""
        shown = None if user is None else "".join(c for c in user[:80] if c.isprintable())
        key = (address, shown, why)
        with self._lock:
            before = self._kept.pop(key, None)
            count = 1 if before is None else before.count + 1
            self._kept[key] = Refusal(address, shown, why, count, self._now())
            while len(self._kept) > KEPT_MOST:
                gone, _ = self._kept.popitem(last=False)
                self._logged.pop(gone, None)
            told = self._logged.get(key)
            if told is not None and time.monotonic() < told + LOG_AGAIN_S:
                return
            self._logged[key] = time.monotonic()
        log.warning("broker: %s (user %s) %s", address, shown, why)

    def lately(self) -> list[Refusal]:
        """Return them, the latest first."""
        with self._lock:
            return list(reversed(self._kept.values()))
