"""Units for systemd and the configuration of nginx, looked through by their own programs."""

from __future__ import annotations

import os
import re
import shutil
import ssl
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
import trustme
from equipment import Mosquitto, command, eventually, free_port
from running import Service

from service.address import own_address
from service.web.guard import HTTPS_FOR_S

DEPLOY = Path(__file__).resolve().parents[2] / "deploy"
UNITS = ("boothglass.service", "boothglass-backup.service", "boothglass-node.service")
ANALYZE = shutil.which("systemd-analyze")

pytestmark = pytest.mark.real


@pytest.mark.skipif(ANALYZE is None, reason="no systemd here")
@pytest.mark.parametrize("name", [*UNITS, "boothglass-backup.timer"])
def test_systemd_takes_the_unit(tmp_path: Path, name: str) -> None:
    for unit in [*UNITS, "boothglass-backup.timer"]:
        text = (DEPLOY / unit).read_text()
        # The program is not installed here, and systemd would say so.
        (tmp_path / unit).write_text(re.sub(r"(?m)^ExecStart=\S+", "ExecStart=/bin/true", text))
    done = subprocess.run(
        [str(ANALYZE), "verify", str(tmp_path / name)], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.skipif(ANALYZE is None, reason="no systemd here")
@pytest.mark.parametrize("name", UNITS)
def test_systemd_finds_little_exposed(name: str) -> None:
    """``systemd-analyze security`` counts from 0 (nothing) to 10 (everything)."""
    done = subprocess.run(
        [str(ANALYZE), "security", "--offline=true", "--no-pager", str(DEPLOY / name)],
        capture_output=True,
        text=True,
        check=False,
    )
    found = re.search(r"exposure level for \S+ ([\d.]+)", done.stdout)
    assert found is not None, done.stderr
    assert float(found[1]) < 2.5


@pytest.mark.skipif(ANALYZE is None, reason="no systemd here")
def test_the_service_and_its_back_up_live_behind_their_fences(
    mosquitto: Mosquitto, tmp_path: Path
) -> None:
    """What a unit forbids is refused to whatever library asks for it, and kills nobody."""
    data, kept = tmp_path / "data", tmp_path / "kept"
    data.mkdir()
    service = Service(data, mosquitto.url)
    program = service._command
    service._command = fenced("boothglass.service", *program)
    service.start()
    try:
        mosquitto.publish("boothglass/booth/wall", '{"air_c": 21.5, "rh_pct": 48}')
        eventually(lambda: service.get("health")["mqtt"]["recorded"] == 1, 20, "it is recorded")
        told = subprocess.run(
            fenced("boothglass-backup.service", *program, "backup", str(kept)),
            env=service._env,
            capture_output=True,
            text=True,
            check=False,
        )
        assert told.returncode == 0, told.stderr
    finally:
        service.stop()
    assert len(list(kept.glob("*.tar.gz"))) == 1


@pytest.mark.skipif(ANALYZE is None, reason="no systemd here")
def test_a_sensors_node_lives_behind_its_fence(tmp_path: Path) -> None:
    settings = tmp_path / "node.toml"
    settings.write_text('chip = "sht4x"\nplace = "booth"\nsensor = "board"\n')
    program = str(Path(sys.executable).with_name("boothglass-node"))
    told = subprocess.run(
        fenced("boothglass-node.service", program, "--config", str(settings), "--once"),
        capture_output=True,
        text=True,
        check=False,
    )
    assert told.returncode == 1, told.stderr  # there is no bus, and it says so
    assert "/dev/i2c-1" in told.stderr


def fenced(unit: str, *words: str) -> list[str]:
    """Return words that start others behind the filter of system calls of a unit."""
    return [sys.executable, str(Path(__file__).with_name("fenced.py")), str(DEPLOY / unit), *words]


class Nginx:
    """Debian's nginx with our file, on free ports, with a certificate of its own."""

    def __init__(self, folder: Path, upstream: int) -> None:
        self.folder, self.port, plain = folder, free_port(), free_port()
        authority = trustme.CA()
        names = ["booth.example", "127.0.0.1", own_address()]
        made = authority.issue_cert(*dict.fromkeys(names))
        made.private_key_pem.write_to_path(folder / "key.pem")
        for n, pem in enumerate(made.cert_chain_pems):
            pem.write_to_path(folder / "fullchain.pem", append=n > 0)
        self.trust = ssl.create_default_context()
        authority.configure_trust(self.trust)
        text = (DEPLOY / "nginx.conf").read_text()
        for ours, here in (
            ("127.0.0.1:8317", f"127.0.0.1:{upstream}"),
            ("/etc/boothglass/tls", str(folder)),
            ("listen 443 ", f"listen {self.port} "),
            ("listen 80;", f"listen {plain};"),
        ):
            assert ours in text
            text = text.replace(ours, here)
        (folder / "site.conf").write_text(text)
        kept = "".join(
            f"{what}_temp_path {folder}/{what};\n"
            for what in ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
        )
        (folder / "nginx.conf").write_text(
            f"pid {folder}/pid;\nerror_log {folder}/error.log;\ndaemon off;\n"
            f"{'user root;' if os.geteuid() == 0 else ''}\nevents {{}}\n"
            f"http {{ access_log off;\n{kept} include {folder}/site.conf; }}\n"
        )
        program = command("nginx")
        arguments = [program, "-c", str(folder / "nginx.conf"), "-e", str(folder / "error.log")]
        subprocess.run([*arguments, "-t"], check=True, capture_output=True)
        self.process = subprocess.Popen(arguments)

    def stop(self) -> None:
        self.process.terminate()
        self.process.wait(timeout=20)


@pytest.fixture(scope="module")
def behind(
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[tuple[Service, Nginx, httpx.Client]]:
    folder = tmp_path_factory.mktemp("behind")
    for name in ("data", "nginx"):
        (folder / name).mkdir()
    broker = Mosquitto(folder / "broker")
    broker.start()
    service = Service(folder / "data", broker.url)
    service._env |= {"BOOTHGLASS_PUBLIC_URL": "https://booth.example", "BOOTHGLASS_SIGN_IN": "on"}
    nginx = Nginx(folder / "nginx", service.port)
    service.start()
    client = httpx.Client(
        base_url=f"https://127.0.0.1:{nginx.port}",
        headers={"Host": "booth.example"},
        verify=nginx.trust,
        timeout=20,
    )
    eventually(lambda: client.get("/sign-in").status_code == 200, 30, "nginx answers")
    yield service, nginx, client
    client.close()
    service.stop()
    nginx.stop()
    broker.stop()


def test_what_watches_the_service_is_not_let_through(
    behind: tuple[Service, Nginx, httpx.Client],
) -> None:
    service, _, client = behind
    for path in ("/metrics", "/health"):
        assert client.get(path).status_code == 404
        assert httpx.get(service.base + path, timeout=20).status_code == 200


def test_the_service_learns_who_really_asks(behind: tuple[Service, Nginx, httpx.Client]) -> None:
    """From the machine itself health is told without sign-in: through nginx only to the machine."""
    _, nginx, client = behind
    assert client.get("/api/v1/health").status_code == 200
    address = own_address()
    if address.startswith("127."):
        pytest.skip("this machine has no address but loopback")
    away = f"https://{address}:{nginx.port}/api/v1/health"
    for said in ({}, {"X-Forwarded-For": "127.0.0.1"}, {"Forwarded": "for=127.0.0.1"}):
        headers = {"Host": "booth.example", **said}
        answer = httpx.get(away, headers=headers, verify=nginx.trust, timeout=20)
        assert answer.status_code == 401


def test_browsers_are_told_once_to_keep_to_https(
    behind: tuple[Service, Nginx, httpx.Client],
) -> None:
    told = behind[2].get("/sign-in").headers.get_list("strict-transport-security")
    assert told == [f"max-age={HTTPS_FOR_S}"]


def test_pages_of_another_host_are_not_served(
    behind: tuple[Service, Nginx, httpx.Client],
) -> None:
    assert behind[2].get("/sign-in", headers={"Host": "other.example"}).status_code == 421


def test_the_live_stream_is_not_held_back(
    tmp_path: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """What was sent is here while the stream is still open: held back it would never come."""
    broker = Mosquitto(tmp_path / "broker")
    broker.start()
    (tmp_path / "data").mkdir()
    (tmp_path / "nginx").mkdir()
    service = Service(tmp_path / "data", broker.url)
    service._env |= {"BOOTHGLASS_PUBLIC_URL": "https://booth.example"}
    nginx = Nginx(tmp_path / "nginx", service.port)
    service.start()
    url = f"https://127.0.0.1:{nginx.port}/api/v1/events"
    try:
        with httpx.stream(
            "GET", url, headers={"Host": "booth.example"}, verify=nginx.trust, timeout=30
        ) as stream:
            assert stream.headers["content-type"].startswith("text/event-stream")
            lines = stream.iter_lines()
            next(lines)
            at = service.now().isoformat()
            broker.publish("boothglass/booth/wall", {"at": at, "air_c": 20.0, "rh_pct": 50.0})
            assert any(line == "event: air" for line in lines)
    finally:
        service.stop()
        nginx.stop()
        broker.stop()
