"""Several workers as processes of their own, on one PostgreSQL database and one Mosquitto."""

from __future__ import annotations

import hashlib
import os
import signal
import subprocess
from pathlib import Path

import databases
from running import Service

__all__ = ["Crew"]


class Crew(Service):
    """``boothglass serve`` with workers; each may be killed by itself."""

    def __init__(self, data: Path, mqtt_url: str, workers: int = 2, **more: str) -> None:
        super().__init__(data, mqtt_url)
        name = "crew" + hashlib.sha256(str(data).encode()).hexdigest()[:16]
        self.database_url = databases.on_server(name)
        for driven in ("BOOTHGLASS_CLOCK_START", "BOOTHGLASS_CLOCK_RATE"):
            self._env.pop(driven)
        self._env |= {
            "BOOTHGLASS_DATABASE_URL": self.database_url,
            "BOOTHGLASS_WORKERS": str(workers),
            **more,
        }

    @property
    def parent(self) -> int:
        assert self._process is not None
        return self._process.pid

    def workers(self) -> list[int]:
        """Process ids of the workers."""
        listed = subprocess.run(
            ["ps", "-o", "pid=,args=", "--ppid", str(self.parent)],
            capture_output=True,
            text=True,
            check=False,
        ).stdout.splitlines()
        return [int(line.split()[0]) for line in listed if "spawn_main" in line]

    def kill_worker(self, which: int) -> None:
        """End one as a power cut would."""
        os.kill(self.workers()[which], signal.SIGKILL)
