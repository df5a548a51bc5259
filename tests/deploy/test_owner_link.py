"""The owner's link, as the commands print it, and what the demo refuses: with real processes."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import databases
import httpx
import pytest
from equipment import free_port
from running import Service

pytestmark = pytest.mark.real

BOOTHGLASS = str(Path(sys.executable).with_name("boothglass"))
LINK = re.compile(r"comes in here: (http://\S+/welcome/[\w-]{43})")


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    """A service where people sign in; its health is told on the machine without."""
    folder = tmp_path / "data"
    folder.mkdir()
    made = Service(folder, "")
    del made._env["BOOTHGLASS_MQTT_URL"]
    made._env |= {"BOOTHGLASS_SIGN_IN": "on", "BOOTHGLASS_MQTT_PORT": "0"}
    made.start()
    yield made
    made.stop()


def run(service: Service, *arguments: str, **env: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [BOOTHGLASS, *arguments],
        env=service._env | env,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )


def test_the_first_start_prints_a_link_and_the_machine_makes_more(service: Service) -> None:
    (printed,) = LINK.findall(service.log.read_text())
    assert printed.startswith(service.base)
    assert "█" in service.log.read_text() or "▀" in service.log.read_text(), "and a code to scan"
    headers = {"accept": "text/html", "origin": service.base}
    with httpx.Client(headers=headers) as browser, httpx.Client(headers=headers) as other:
        answer = browser.post(printed, data={"name": "Ada", "later": "1"})
        assert answer.status_code == 303
        assert browser.get(f"{service.base}/").status_code == 200
        # Lost that device: the machine helps, while the service runs.
        again = run(service, "owner-link")
        assert again.returncode == 0, again.stderr
        (link,) = LINK.findall(again.stdout)
        assert link.startswith(f"{service.base}/welcome/"), "the port that it really listens on"
        fields = {"name": "Ada", "password": "seven thin coats"}
        assert other.post(link, data=fields).status_code == 303
        assert other.get(f"{service.base}/settings/access").status_code == 200
        assert browser.get(f"{service.base}/").status_code == 303, "signed out by the new password"


def test_no_further_link_is_printed_once_there_is_an_owner(service: Service) -> None:
    (printed,) = LINK.findall(service.log.read_text())
    fields = {"name": "Ada", "later": "1"}
    with httpx.Client(headers={"origin": service.base}) as browser:
        assert browser.post(printed, data=fields).status_code == 303
    service.stop()
    service.start()
    assert len(LINK.findall(service.log.read_text())) == 1


def test_a_service_without_sign_in_says_so_and_needs_no_link(tmp_path: Path) -> None:
    folder = tmp_path / "data"
    folder.mkdir()
    service = Service(folder, "")
    del service._env["BOOTHGLASS_MQTT_URL"]
    service._env["BOOTHGLASS_MQTT_PORT"] = "0"
    service.start()
    try:
        log = service.log.read_text()
        assert "WARNING" in log
        assert "sign-in is off: anyone who uses this machine can read and write" in log
        assert not LINK.findall(log)
        refused = run(service, "owner-link")
        assert refused.returncode == 2
        assert "BOOTHGLASS_SIGN_IN" in refused.stderr
    finally:
        service.stop()


def test_the_demo_opens_to_the_network_only_where_that_is_said(tmp_path: Path) -> None:
    env = {k: v for k, v in os.environ.items() if not k.startswith("BOOTHGLASS_SIGN")}
    env |= {**databases.environment(tmp_path), "BOOTHGLASS_HTTP_PORT": str(free_port())}
    for more, arguments in (({}, ["--lan"]), ({"BOOTHGLASS_LAN": "1"}, [])):
        done = subprocess.run(
            [BOOTHGLASS, "demo", *arguments],
            env=env | more,
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        assert done.returncode == 2
        assert "--sign-in off" in done.stderr
