"""What the web needs to let sensors in: keys, the broker's address, who was turned away."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Protocol

from service.certificates import CA_FILE, fingerprint
from service.settings import Settings
from service.store.attempts import Attempts
from service.store.sensor_keys import SensorKeys

__all__ = ["Refusal", "SensorDoor"]

WRONG_OF_ONE, WRONG_OF_ALL, WITHIN = 10, 300, timedelta(minutes=10)
"""Wrong codes within ten minutes. A code has 39 bits and at most 20 are good at once: whoever makes
use of all 300 tries hits one with a likelihood of 1 in 100 million."""


class Refusal(Protocol):
    """One visitor's refusals at the broker for one reason."""

    @property
    def address(self) -> str:
        """Where it came from."""

    @property
    def user(self) -> str | None:
        """Whom it said it was."""

    @property
    def why(self) -> str:
        """What was wrong."""

    @property
    def count(self) -> int:
        """How often."""

    @property
    def last_at(self) -> datetime:
        """When last."""


def _no_url(_reached_as: str | None) -> str:
    return "mqtt://127.0.0.1:1883"


@dataclass(frozen=True)
class SensorDoor:
    """Keys and codes, and what a device has to be told.

    Parameters
    ----------
    keys : SensorKeys
        The keys.
    changed : callable
        Told when a key was made or ended.
    url : callable
        Says where sensors find the broker, by the name under which this machine was reached.
    refusals : callable
        Says who was turned away lately.
    """

    keys: SensorKeys
    changed: Callable[[], None] = lambda: None
    url: Callable[[str | None], str] = _no_url
    refusals: Callable[[], Sequence[Refusal]] = tuple

    @property
    def attempts(self) -> Attempts:
        """Return the count of wrong codes."""
        return self.keys.attempts(WRONG_OF_ONE, WRONG_OF_ALL, WITHIN)

    def authority(self, settings: Settings) -> str | None:
        """Return the certificate (PEM) that broker and pages are known by; None without TLS."""
        file = self._authority_file(settings)
        return None if file is None else file.read_text(encoding="ascii")

    def fingerprint(self, settings: Settings) -> str | None:
        """Return its SHA-256 in hex digits."""
        file = self._authority_file(settings)
        return None if file is None else fingerprint(file.parent)

    def _authority_file(self, settings: Settings) -> Path | None:
        file = settings.certificates_folder / CA_FILE
        return file if file.is_file() else None
