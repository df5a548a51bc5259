"""The figures of all workers in one answer: each has counters of its own.

Whoever is asked asks the others, and each leaves its text in the shop's folder, in one that
back-ups pass over.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from pathlib import Path

__all__ = ["Figures"]

FOLDER, SUFFIX = ".figures", ".txt"
WAIT_S, STEP_S = 1.0, 0.02
"""Real seconds; a worker that hangs is left out, and the others are told in time."""

BEHIND_S = 0.02
"""How much earlier than it was a file may say that it was written."""

log = logging.getLogger(__name__)


class Figures:
    """Figures of one shop, as every worker counts them.

    Parameters
    ----------
    folder : Path
        The shop's, on the machine that the workers share.
    workers : int
        How many there are, with this one.
    number : callable
        This worker's number; None while it has none.
    own : callable
        Gives this worker's figures as text.
    ask : callable
        Asks the other workers to :meth:`answer`.
    """

    def __init__(
        self,
        folder: Path,
        workers: int,
        number: Callable[[], int | None],
        own: Callable[[], bytes],
        ask: Callable[[], None],
    ) -> None:
        self._folder, self._others = folder / FOLDER, workers - 1
        self._number, self._own, self._ask = number, own, ask
        self._writing = threading.Lock()

    def answer(self) -> None:
        """Leave this worker's figures for whoever has asked; returns at once."""
        threading.Thread(target=self._write, name="figures", daemon=True).start()

    def others(self) -> list[bytes]:
        """Ask the others; return the figures of those that answer within a second."""
        if self._others < 1:
            return []
        asked, until = time.time() - BEHIND_S, time.monotonic() + WAIT_S
        self._ask()
        while True:
            found = self._since(asked)
            if len(found) >= self._others or time.monotonic() >= until:
                return [file.read_bytes() for file in found]
            time.sleep(STEP_S)

    def _since(self, asked: float) -> list[Path]:
        mine = f"{self._number()}{SUFFIX}"
        files = [file for file in self._folder.glob(f"*{SUFFIX}") if file.name != mine]
        return sorted(file for file in files if file.stat().st_mtime >= asked)

    def _write(self) -> None:
        number = self._number()
        if number is None:
            return
        try:
            with self._writing:
                self._folder.mkdir(parents=True, exist_ok=True)
                draft = self._folder / f"{number}.part"
                draft.write_bytes(self._own())
                draft.replace(self._folder / f"{number}{SUFFIX}")
        except Exception as error:  # noqa: BLE001 -- whoever asked goes on without
            log.warning("figures could not be left for another worker: %s", error)
