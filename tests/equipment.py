"""Real equipment for tests: a broker that is not ours, its command-line client, a set clock."""

from __future__ import annotations

import asyncio
import json
import os
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Callable, Coroutine, Iterable
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, TypeVar

from service.settings import MqttAddress

T = TypeVar("T")

USER, PASSWORD = "booth", "s3cret with spaces"

# Debian keeps daemons in sbin, which is not on everyone's path.
_PATH = os.pathsep.join([os.environ.get("PATH", ""), "/usr/sbin", "/usr/local/sbin"])


def command(name: str) -> str:
    """Where a command lies; a plain failure where it is not installed."""
    found = shutil.which(name, path=_PATH)
    assert found is not None, f"{name} is not installed; deploy/test.sh installs it"
    return found


def free_port() -> int:
    """A TCP port that is free on loopback now."""
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def eventually(is_so: Callable[[], object], timeout_s: float = 30.0, what: str = "") -> None:
    """Wait until something is so; fail with what was waited for."""
    deadline = time.monotonic() + timeout_s
    while not is_so():
        assert time.monotonic() < deadline, f"not within {timeout_s:g} s: {what or 'condition'}"
        time.sleep(0.02)


def in_a_loop(work: Coroutine[Any, Any, T], longest_s: float = 30.0) -> T:
    """Run in a loop of its own thread: the browser's driver may hold one in this one."""

    async def bounded() -> T:
        return await asyncio.wait_for(work, longest_s)

    with ThreadPoolExecutor(1) as own:
        return own.submit(asyncio.run, bounded()).result()


class SetClock:
    """A clock that stands where it is put."""

    rate = 1.0
    driven = False

    def __init__(self, at: datetime = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)) -> None:
        self.at = at

    def now(self) -> datetime:
        return self.at

    def advance(self, **span: float) -> None:
        self.at += timedelta(**span)


class Mosquitto:
    """A Mosquitto of our own: ``mosquitto -c FILE`` on a free port, with a password.

    It keeps its sessions in the folder, so that :meth:`stop` and :meth:`start` is a restart.
    """

    def __init__(self, folder: Path, extra_lines: Iterable[str] = ()) -> None:
        self.folder = folder
        self.port = free_port()
        self.log = folder / "mosquitto.log"
        self._process: subprocess.Popen[bytes] | None = None
        folder.mkdir(parents=True, exist_ok=True)
        passwords = folder / "passwords"
        subprocess.run(
            [command("mosquitto_passwd"), "-b", "-c", str(passwords), USER, PASSWORD],
            check=True,
            capture_output=True,
        )
        lines = [
            f"listener {self.port} 127.0.0.1",
            "allow_anonymous false",
            f"password_file {passwords}",
            "persistence true",
            f"persistence_location {folder}/",
            "max_queued_messages 0",  # no bound: a backlog must not be thrown away
            f"log_dest file {self.log}",
            *extra_lines,
        ]
        if os.geteuid() == 0:
            # Started by root it would change to a user who cannot read a test's folder.
            lines.append("user root")
        self.config = folder / "mosquitto.conf"
        self.config.write_text("\n".join(lines) + "\n")

    @property
    def address(self) -> MqttAddress:
        return MqttAddress("127.0.0.1", self.port, USER, PASSWORD, tls=False)

    @property
    def url(self) -> str:
        return f"mqtt://{USER}:{PASSWORD.replace(' ', '%20')}@127.0.0.1:{self.port}"

    def start(self) -> None:
        self._process = subprocess.Popen(
            [command("mosquitto"), "-c", str(self.config)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        eventually(self._listens, what="Mosquitto listens")

    @property
    def pid(self) -> int:
        assert self._process is not None
        return self._process.pid

    def stop(self) -> None:
        """Stop it in good order; its sessions are written to disk."""
        self._end(signal.SIGTERM)

    def kill(self) -> None:
        """End it as a power cut would."""
        self._end(signal.SIGKILL)

    def reload(self) -> None:
        """Let it read its files of users and rights anew, and wait until it has."""
        assert self._process is not None
        before = self.told("Reloading config")
        self._process.send_signal(signal.SIGHUP)
        eventually(lambda: self.told("Reloading config") > before, what="Mosquitto has reloaded")
        time.sleep(0.1)  # it says so before it does it

    def told(self, what: str) -> int:
        """How often its log says something."""
        return self.log.read_text(errors="replace").count(what) if self.log.exists() else 0

    def publish(
        self,
        topic: str,
        *payloads: bytes | str | dict[str, object],
        qos: int = 1,
        retain: bool = False,
        password: str = PASSWORD,
    ) -> None:
        """Publish with ``mosquitto_pub``; more than one payload must each be one line."""
        raw = [_as_bytes(p) for p in payloads]
        how = [command("mosquitto_pub"), "-h", "127.0.0.1", "-p", str(self.port)]
        how += ["-u", USER, "-P", password, "-t", topic, "-q", str(qos)]
        how += ["-r"] if retain else []
        how += ["-l"] if len(raw) != 1 else ["-s"] if raw[0] else ["-n"]
        text = raw[0] if len(raw) == 1 else b"".join(line + b"\n" for line in raw)
        subprocess.run(how, input=text, check=True, capture_output=True, timeout=60)

    def _listens(self) -> bool:
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", self.port)) == 0

    def _end(self, how: signal.Signals) -> None:
        if self._process is not None:
            self._process.send_signal(how)
            self._process.wait(timeout=10)
            self._process = None


def _as_bytes(payload: bytes | str | dict[str, object]) -> bytes:
    if isinstance(payload, dict):
        return json.dumps(payload).encode()
    return payload.encode() if isinstance(payload, str) else payload
