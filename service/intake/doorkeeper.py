"""Keeps up to date what lets sensors in: keys, Mosquitto's files, certificates in use."""

from __future__ import annotations

import logging
import ssl
import threading
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

from service.certificates import (
    SERVER_FILE,
    CertificateError,
    load_into,
    renew_in_time,
    valid_until,
)
from service.clock import Clock, WallClock

__all__ = ["Doorkeeper", "Running"]

EVERY_S = 3.0
"""Real seconds between looks: another process may have made a key, or a certificate."""

WARN_BEFORE = timedelta(days=21)

log = logging.getLogger(__name__)


class Running:
    """The certificates of a folder, as the servers that run use them."""

    def __init__(self, folder: Path, clock: Clock | None = None) -> None:
        self.folder = folder
        self.contexts: list[ssl.SSLContext] = []
        self._clock = clock or WallClock()
        self._seen = self._mark()

    def look(self) -> None:
        """Renew what is about to run out, and let the servers go on with what is new."""
        if not self.contexts:
            return
        renew_in_time(self.folder, self._clock.now())
        seen = self._mark()
        if seen != self._seen:
            for context in self.contexts:
                load_into(context, self.folder)
            self._seen = seen

    def worries(self) -> list[str]:
        """Say so where it runs out before long."""
        if not self.contexts:
            return []
        try:
            until = valid_until(self.folder)
        except CertificateError as error:
            return [str(error)]
        if until > self._clock.now() + WARN_BEFORE:
            return []
        return [f"the certificate runs out on {until:%Y-%m-%d}: boothglass certificates"]

    def _mark(self) -> tuple[int, int]:
        try:
            found = (self.folder / SERVER_FILE).stat()
        except OSError:
            return (0, 0)
        return (found.st_mtime_ns, found.st_ino)


class Doorkeeper:
    """Looks again and again, in a thread of its own; an error waits for the next look."""

    def __init__(self, *looks: Callable[[], object]) -> None:
        self._looks = looks
        self._stopping = threading.Event()
        self._looking = threading.Lock()
        self.problem: str | None = None
        self._thread = threading.Thread(target=self._watch, name="doorkeeper", daemon=True)

    def start(self) -> None:
        """Begin."""
        self.look()
        self._thread.start()

    def stop(self) -> None:
        """End."""
        self._stopping.set()
        if self._thread.is_alive():
            self._thread.join(timeout=10)

    def look(self) -> None:
        """Look now: something was changed here."""
        with self._looking:
            problem = None
            for look in self._looks:
                try:
                    look()
                except Exception as error:  # noqa: BLE001 -- kept as a problem, and tried again
                    problem = f"{type(error).__name__}: {error}"
            if problem is not None and problem != self.problem:
                log.warning("sensors' keys or certificates: %s", problem)
            self.problem = problem

    def _watch(self) -> None:
        while not self._stopping.wait(EVERY_S):
            self.look()
