"""Who watches over the workers waits for none of them."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import databases
import pytest
from crew import children
from equipment import eventually

pytestmark = pytest.mark.real

SCRIPT = Path(__file__).with_name("supervised.py")


@contextmanager
def watched(patience_s: int) -> Iterator[subprocess.Popen[bytes]]:
    """Run two workers; one that does not answer for so long is ended."""
    path = os.pathsep.join([str(SCRIPT.parent), *sys.path])
    with subprocess.Popen(
        [sys.executable, str(SCRIPT), str(patience_s)],
        env=os.environ | {"PYTHONPATH": path},
        stderr=subprocess.DEVNULL,
    ) as parent:
        try:
            eventually(lambda: len(children(parent.pid)) == 2, 30, "both run")
            yield parent
        finally:
            for pid in children(parent.pid):
                os.kill(pid, signal.SIGCONT)
            parent.send_signal(signal.SIGTERM)
            parent.wait(timeout=60)


def test_one_that_is_killed_is_started_anew_though_another_hangs():
    with watched(120) as parent:
        hangs, dies = children(parent.pid)
        os.kill(hangs, signal.SIGSTOP)
        os.kill(dies, signal.SIGKILL)
        eventually(lambda: len(set(children(parent.pid)) - {dies}) == 2, 30, "another is started")
        assert hangs in children(parent.pid)


def test_one_that_hangs_is_ended_and_another_started():
    with watched(3) as parent:
        hangs, _ = children(parent.pid)
        os.kill(hangs, signal.SIGSTOP)
        eventually(lambda: hangs not in children(parent.pid), 60, "it is ended")
        eventually(lambda: len(children(parent.pid)) == 2, 30, "another is started")


@pytest.mark.parametrize(
    ("workers", "address", "status"),
    [
        ("2", "postgresql+psycopg:///shop?host=/nowhere", 75),
        ("", "postgresql+psycopg:///shop?host=/nowhere", 75),
        ("2", "there is no such database", 2),
    ],
)
def test_a_database_that_is_away_is_no_wrong_setting(tmp_path, workers, address, status):
    if "://" not in address:
        address = databases.on_server("there").replace("/there?", "/not_there?")
    told = {"BOOTHGLASS_WORKERS": workers} if workers else {}
    ended = subprocess.run(
        [str(Path(sys.executable).with_name("boothglass")), "serve"],
        env=os.environ
        | {
            "BOOTHGLASS_DATA": str(tmp_path),
            "BOOTHGLASS_DATABASE_URL": address,
            "BOOTHGLASS_MQTT_URL": "mqtt://127.0.0.1:1",
            "BOOTHGLASS_HTTP_PORT": "0",
            **told,
        },
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert (ended.returncode, ended.stdout) == (status, ""), ended.stderr
    assert "cannot be opened" in ended.stderr
