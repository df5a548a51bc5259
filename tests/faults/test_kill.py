"""Power cuts at the narrowest moments: between taking and keeping, keeping and acknowledging."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import textwrap
import threading
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Self

import databases
import pytest
from equipment import Mosquitto, eventually

pytestmark = [pytest.mark.real, pytest.mark.slow]

TOPIC = "boothglass/booth/wall"
START = datetime(2026, 1, 1, tzinfo=UTC)
READINGS = 200


def report(number: int) -> dict[str, object]:
    at = START + timedelta(seconds=30 * number)
    return {"at": at.isoformat(), "air_c": 20 + number % 10, "rh_pct": 50}


class Child:
    """The intake in a process of its own."""

    def __init__(self, broker: Mosquitto, data: Path) -> None:
        script = Path(__file__).with_name("intake_process.py")
        self.recorded = 0
        self.up = False
        self._process = subprocess.Popen(
            [sys.executable, str(script), broker.url, str(data)],
            env=os.environ | databases.environment(data),
            stdout=subprocess.PIPE,
            text=True,
        )
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            self.recorded += int(line)
            self.up = True

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        """Kill it as a power cut would: no handler of ours runs."""
        self._process.send_signal(signal.SIGKILL)
        self._process.wait()
        self._reader.join()
        assert self._process.stdout is not None
        self._process.stdout.close()


def rows(data: Path) -> list[int]:
    return [at for (at,) in databases.asked(data, "select at from reading order by at")]


def wanted() -> list[int]:
    return [round((START + timedelta(seconds=30 * n)).timestamp() * 1000) for n in range(READINGS)]


def know_each_other(broker: Mosquitto, data: Path) -> None:
    """Let the broker learn of the session, and the first reading land."""
    with Child(broker, data) as child:
        eventually(lambda: child.up, 60, "the intake has subscribed")
        broker.publish(TOPIC, report(0))
        eventually(lambda: child.recorded == 1, 60, "the first reading is recorded")


# Each is put in front of the child's main(): it ends the process at the narrowest moments.
MOMENTS = {
    "taken, not committed": """
        from sqlmodel import Session
        def commit(self): time.sleep(0.3); os.kill(os.getpid(), signal.SIGKILL)
        Session.commit = commit
    """,
    "committed, not acknowledged": """
        from service.intake.connection import Connection
        Connection._acknowledge = lambda *_: os.kill(os.getpid(), signal.SIGKILL)
    """,
}


@pytest.mark.parametrize("moment", MOMENTS)
def test_killed_at_the_narrowest_moments(mosquitto, data_folder, moment):
    know_each_other(mosquitto, data_folder)
    mosquitto.publish(TOPIC, *[report(n) for n in range(200)])
    script = Path(__file__).with_name("intake_process.py").read_text()
    trap = "import os, signal, time\n" + textwrap.dedent(MOMENTS[moment]) + "\n\ndef main()"
    ended = subprocess.run(
        [sys.executable, "-c", script.replace("def main()", trap), mosquitto.url, str(data_folder)],
        env=os.environ | databases.environment(data_folder),
        stdout=subprocess.PIPE, timeout=90, check=False,
    )  # fmt: skip
    assert ended.returncode == -signal.SIGKILL
    assert (len(rows(data_folder)) > 1) == moment.startswith("committed")
    with Child(mosquitto, data_folder):
        eventually(lambda: len(rows(data_folder)) == 200, 60)
        time.sleep(0.3)
    assert rows(data_folder) == wanted()
