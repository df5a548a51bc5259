"""Mosquitto's files of everybody who is let in, kept up to date by whoever leads."""

from __future__ import annotations

import logging
import time

from service.intake.broker_files import write_broker_files
from service.settings import Settings
from service.worker.houses import Houses, keys_of_many

__all__ = ["BrokerFiles"]

EVERY_S = 60.0
"""Real seconds after which they are looked at without being told: a command may make a key, too."""

RETRY_S = 5.0

log = logging.getLogger(__name__)


class BrokerFiles:
    """Writes what has changed; one thread calls :meth:`step`, any :meth:`changed`."""

    def __init__(self, settings: Settings, houses: Houses) -> None:
        self.problem: str | None = None
        self._settings, self._houses = settings, houses
        self._due = 0.0

    def changed(self) -> None:
        """Say that a key was made or ended."""
        self._due = 0.0

    def step(self) -> None:
        """Write them if it is time; an error is kept as a problem, and waits for the next time."""
        if self._settings.broker_files is None or time.monotonic() < self._due:
            return
        self._due = time.monotonic() + EVERY_S
        try:
            write_broker_files(self._settings, keys_of_many(self._houses))
            self.problem = None
        except Exception as error:  # noqa: BLE001 -- kept as a problem, and tried again
            self.problem = f"{type(error).__name__}: {error}"
            self._due = time.monotonic() + RETRY_S
            log.warning("the broker's files could not be written: %s", error)
