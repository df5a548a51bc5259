"""Several workers as processes of their own, on one PostgreSQL database and one Mosquitto."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import time
from pathlib import Path

from running import Service

__all__ = ["Crew", "children", "end"]

WRONG_SETTING = 2
"""Status after which systemd does not start the service again (deploy/boothglass.service)."""


class Crew(Service):
    """``boothglass serve`` with workers; each may be killed by itself."""

    def __init__(
        self, data: Path, mqtt_url: str, database_url: str, workers: int = 2, **more: str
    ) -> None:
        super().__init__(data, mqtt_url)
        for driven in ("BOOTHGLASS_CLOCK_START", "BOOTHGLASS_CLOCK_RATE"):
            self._env.pop(driven)
        self._env |= {
            "BOOTHGLASS_DATABASE_URL": database_url,
            "BOOTHGLASS_WORKERS": str(workers),
            **more,
        }

    @property
    def parent(self) -> int:
        assert self._process is not None
        return self._process.pid

    def workers(self) -> list[int]:
        """Process ids of the workers, the oldest first."""
        return children(self.parent)

    def kill_parent(self) -> list[int]:
        """End the one that watches over the workers; return those that are left without it."""
        orphans = self.workers()
        self.kill()
        return orphans

    def keep_up(self, orphans: list[int], within_s: float = 120.0) -> None:
        """Start it again as systemd would, as soon as those it left behind are gone.

        Systemd would end these itself; here they have to do it.
        """
        until = time.monotonic() + within_s
        while any(_runs(pid) for pid in orphans):
            assert time.monotonic() < until, "a worker outlives its parent"
            time.sleep(0.05)
        self.begin()

    def look_after(self) -> None:
        """Start it again where it has ended."""
        status = None if self._process is None else self._process.poll()
        assert status != WRONG_SETTING, f"it is not started again: {self.log.read_text()[-2000:]}"
        if status is not None:
            self.begin()

    def command(self, *words: str) -> subprocess.CompletedProcess[str]:
        """Run another command of the service on the same data."""
        return subprocess.run(
            [*self._command, *words], env=self._env, capture_output=True, text=True, check=False
        )


def children(parent: int) -> list[int]:
    """Process ids of the workers that a process has started, the oldest first."""
    listed = subprocess.run(
        ["ps", "-ww", "-o", "pid=,args=", "--ppid", str(parent)],
        capture_output=True,
        text=True,
        check=False,
    ).stdout.splitlines()
    return sorted(int(line.split()[0]) for line in listed if "spawn_main" in line)


def _runs(pid: int) -> bool:
    """Whether a process is there, and more than what its new parent has not taken note of yet."""
    with contextlib.suppress(OSError):
        return (Path("/proc") / str(pid) / "stat").read_text().rpartition(")")[2].split()[0] != "Z"
    return False


def end(pid: int, how: signal.Signals = signal.SIGKILL) -> None:
    """Send a signal to a process that may be gone by now."""
    with contextlib.suppress(ProcessLookupError):
        os.kill(pid, how)
