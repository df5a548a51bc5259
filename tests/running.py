"""The service as its own process, with a driven clock, and a listener that is not ours."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import urllib.error
import urllib.request
from datetime import datetime, timedelta
from http import HTTPStatus
from pathlib import Path
from typing import Any

import databases
from equipment import PASSWORD, USER, Mosquitto, command, eventually, free_port

START = "2026-04-06T08:00:00Z"
TOPIC = "boothglass/booth/wall"


class Service:
    """``boothglass serve`` on a free port; may be killed and started again on the same data."""

    def __init__(self, data: Path, mqtt_url: str, *, start: str = START, rate: float = 1.0) -> None:
        self.port = free_port()
        self.base = f"http://127.0.0.1:{self.port}"
        self.log = data.parent / "service.log"
        self._env = os.environ | {
            **databases.environment(data),
            "BOOTHGLASS_HTTP_PORT": str(self.port),
            "BOOTHGLASS_MQTT_URL": mqtt_url,
            "BOOTHGLASS_CLOCK_START": start,
            "BOOTHGLASS_CLOCK_RATE": f"{rate:g}",
            "BOOTHGLASS_TICK_S": "0.3",
            "BOOTHGLASS_ZONE": "UTC",
            "BOOTHGLASS_SIGN_IN": "off",
        }
        self._command = [str(Path(sys.executable).with_name("boothglass"))]
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        self.begin()
        eventually(self._well, 90, "the service is up and connected to the broker")

    def begin(self) -> None:
        """Start it, and wait for nothing."""
        with self.log.open("ab") as log:
            self._process = subprocess.Popen(
                [*self._command, "serve"], env=self._env, stdout=log, stderr=log
            )

    def kill(self) -> None:
        """End it as a power cut would."""
        self._end(signal.SIGKILL)

    def stop(self) -> None:
        """Ask it to stop."""
        self._end(signal.SIGTERM)

    def pause(self) -> None:
        """Let it hang: connections are taken, nothing is answered."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def resume(self) -> None:
        """Let a hanging one go on."""
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)

    def get(self, path: str) -> Any:
        try:
            with urllib.request.urlopen(f"{self.base}/api/v1/{path}", timeout=10) as answer:
                return json.load(answer)
        except urllib.error.HTTPError as error:
            if error.code != 503 or path != "health":
                raise
            return json.load(error)  # it says why it is not well

    def post(self, path: str, **body: object) -> Any:
        request = urllib.request.Request(
            f"{self.base}/api/v1/{path}",
            data=json.dumps(body).encode(),
            headers={"Content-Type": "application/json"},
            method="POST",
        )
        with urllib.request.urlopen(request, timeout=10) as answer:
            return None if answer.status == HTTPStatus.NO_CONTENT else json.load(answer)

    def now(self) -> datetime:
        return datetime.fromisoformat(self.get("health")["now"])

    def forward(self, **span: float) -> datetime:
        """Drive the shop's clock forward."""
        target = self.now() + timedelta(**span)
        self.post("clock", now=target.isoformat())
        return target

    def _well(self) -> bool:
        assert self._process is not None
        assert self._process.poll() is None, f"the service ended: {self.log.read_text()[-2000:]}"
        try:
            return bool(self.get("health")["mqtt"]["connected"])
        except (urllib.error.URLError, ConnectionError, TimeoutError):
            return False

    def _end(self, how: signal.Signals) -> None:
        if self._process is not None:
            self._process.send_signal(how)
            self._process.wait(timeout=20)
            self._process = None


def read(service: Service, broker: Mosquitto, air_c: float, rh_pct: float) -> None:
    """Let the booth's sensor report the air at the shop's present time; wait until it is kept."""
    before = service.get("health")["mqtt"]["recorded"]
    at = service.now().isoformat()
    broker.publish(TOPIC, {"at": at, "air_c": air_c, "rh_pct": rh_pct})
    eventually(
        lambda: service.get("health")["mqtt"]["recorded"] > before, what="the reading is kept"
    )


class Listener:
    """``mosquitto_sub`` on the notices: what a person's other tools would hear."""

    def __init__(self, broker: Mosquitto, file: Path) -> None:
        self._file = file
        with file.open("wb") as out:
            self._process = subprocess.Popen(
                [
                    command("mosquitto_sub"), "-h", "127.0.0.1", "-p", str(broker.port),
                    "-u", USER, "-P", PASSWORD, "-q", "1", "-t", "boothglass/notices/#",
                ],
                stdout=out,
            )  # fmt: skip

    def heard(self, kind: str) -> list[dict[str, Any]]:
        lines = self._file.read_text().splitlines()
        return [told for told in map(json.loads, lines) if told["kind"] == kind]

    def stop(self) -> None:
        self._process.terminate()
        self._process.wait(timeout=10)
