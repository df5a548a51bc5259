"""Who watches over the workers: one that has died is started anew at once, one that hangs is ended.

uvicorn's own supervisor asks one worker after the other and waits for each answer. A worker that is
killed while it is asked, or that hangs, then keeps it from all others for as long as it has
patience. Here answers are taken when they come.
"""

from __future__ import annotations

import logging
import time
from typing import Any

from uvicorn.config import STARTUP_FAILURE
from uvicorn.supervisors.multiprocess import Multiprocess, Process

__all__ = ["Supervisor"]

log = logging.getLogger(__name__)


class Supervisor(Multiprocess):
    """Keeps as many workers as the configuration says; ``run`` returns when told to stop."""

    def init_processes(self) -> None:
        """Start the first ones."""
        self.processes = [self._begun() for _ in range(self.processes_num)]

    def keep_subprocess_alive(self) -> None:
        """Start anew whoever has ended, and whoever has not answered for too long."""
        for index, process in enumerate(self.processes):
            if self.should_exit.is_set():
                return
            if process.is_alive(self.config.timeout_worker_healthcheck):
                continue
            process.kill()
            process.join()
            if process.exitcode == STARTUP_FAILURE:
                log.error("a worker could not start: all are ended")
                self.should_exit.set()
                return
            log.warning("worker ended, another is started", extra={"status": process.exitcode})
            self.processes[index] = self._begun()

    def _begun(self) -> Process:
        process = _Worker(self.config, self.sockets)
        process.start()
        return process


class _Worker(Process):
    """A process that is asked whether it lives without waiting for what it says."""

    def __init__(self, *arguments: Any) -> None:
        super().__init__(*arguments)
        self._answered_at = time.monotonic()
        self._asked = False

    def is_alive(self, timeout: float = 5) -> bool:
        """Whether it runs, and has answered within so many seconds."""
        if not self.process.is_alive():
            return False
        now = time.monotonic()
        try:
            while self.parent_conn.poll():
                self.parent_conn.recv()
                self._answered_at, self._asked = now, False
            if not self._asked:
                self.parent_conn.send(b"ping")
                self._asked = True
        except (OSError, EOFError):
            return False
        return now - self._answered_at < timeout
