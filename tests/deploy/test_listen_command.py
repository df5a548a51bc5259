"""``boothglass listen`` as a process of its own, against real brokers and beside the service."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from pathlib import Path

import databases
import pytest
from equipment import Mosquitto, SetClock, eventually, free_port

from service.store.db import Database
from service.store.kinds import Kinds

pytestmark = [pytest.mark.real, pytest.mark.slow]

AIR = {"env": {"temp": 71.3, "hum": 40}}
BOOTHGLASS = str(Path(sys.executable).with_name("boothglass"))


def listen(*options: str, data: Path, **settings: str) -> subprocess.CompletedProcess[str]:
    environment = {k: v for k, v in os.environ.items() if not k.startswith("BOOTHGLASS_")}
    environment |= {**databases.environment(data), "BOOTHGLASS_ZONE": "UTC", **settings}
    return subprocess.run(
        [BOOTHGLASS, "listen", *options],
        env=environment, capture_output=True, text=True, timeout=90, stdin=subprocess.DEVNULL,
        check=False,
    )  # fmt: skip


class Sensor:
    """Publishes every tenth of a second for as long as the block lasts."""

    def __init__(self, broker: Mosquitto, topic: str) -> None:
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._go_on, args=(broker, topic))

    def _go_on(self, broker: Mosquitto, topic: str) -> None:
        while not self._ended.wait(0.1):
            broker.publish(topic, AIR)
            broker.publish("attic/lamp", b"\x1b[2Jon")

    def __enter__(self) -> None:
        self._thread.start()

    def __exit__(self, *_: object) -> None:
        self._ended.set()
        self._thread.join()


def test_it_shows_proposes_and_adopts(tmp_path, mosquitto):
    url = {"BOOTHGLASS_MQTT_URL": mosquitto.url}
    with Sensor(mosquitto, "attic/k1/state"):
        shown = listen("--seconds", "4", data=tmp_path / "data", **url)
        assert shown.returncode == 0, shown.stderr
        assert "attic/k1/state" in shown.stdout
        assert "topic: attic/{sensor}/state" in shown.stdout
        assert "reads booth/k1: air_c 21.8333, rh_pct 40" in shown.stdout
        assert "? Air temperature of 71.3 is taken as °F. Is it?" in shown.stdout
        assert "Nothing adopted." in shown.stdout
        assert "holds no number" in shown.stdout
        assert "\x1b" not in shown.stdout  # whoever publishes does not write to the terminal
        wrong = listen("--seconds", "4", "--adopt", "7", data=tmp_path / "data", **url)
        assert wrong.returncode == 2
        assert "there is no proposal 7" in wrong.stderr
        adopted = listen("--seconds", "4", "--adopt", "1", data=tmp_path / "data", **url)
        assert adopted.returncode == 0, adopted.stderr
        assert "Adopted K1 (k1): attic/{sensor}/state" in adopted.stdout
    database = Database(databases.address(tmp_path / "data"))
    (kind,) = Kinds(database, SetClock()).in_use()
    database.dispose()
    assert (kind.id, kind.trouble) == ("k1", None)


def test_what_cannot_be_is_said(tmp_path):
    none = listen(data=tmp_path / "data")
    assert none.returncode == 2
    assert "the embedded broker runs only while the service does" in none.stderr
    nobody = listen(data=tmp_path / "data", BOOTHGLASS_MQTT_URL=f"mqtt://127.0.0.1:{free_port()}")
    assert nobody.returncode == 2
    assert "does not answer" in nobody.stderr
    long = listen("--seconds", "0", data=tmp_path / "d", BOOTHGLASS_MQTT_URL="mqtt://127.0.0.1:1")
    assert long.returncode == 2
    assert "seconds: 0 is outside 1 to 600" in long.stderr


def test_beside_a_service_with_its_own_broker(tmp_path):
    data = tmp_path / "data"
    environment = {k: v for k, v in os.environ.items() if not k.startswith("BOOTHGLASS_")}
    environment |= {
        **databases.environment(data),
        "BOOTHGLASS_HTTP_PORT": str(free_port()),
        "BOOTHGLASS_MQTT_PORT": str(free_port()),
        "BOOTHGLASS_ZONE": "UTC",
    }
    log = (tmp_path / "service.log").open("wb")
    service = subprocess.Popen([BOOTHGLASS, "serve"], env=environment, stdout=log, stderr=log)
    try:
        eventually((data / "broker" / "port").exists, 30, "the embedded broker is up")
        found = listen("--seconds", "8", data=data)
        assert found.returncode == 0, found.stderr
        assert "Nothing came that is not read already." in found.stdout
    finally:
        service.terminate()
        service.wait(timeout=30)
        log.close()
    assert not (data / "broker" / "port").exists()
