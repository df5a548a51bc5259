"""What ships is asked for at services of advisories; what they say, and that they say nothing."""

from __future__ import annotations

import gzip
import json
import shutil
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "deploy"))
import audit

pytestmark = pytest.mark.real

NOWHERE = "http://127.0.0.1:9"

Say = Callable[[str, Any], Any]
"""Given a path and what was sent, what the service answers."""


@contextmanager
def advisories(say: Say) -> Iterator[str]:
    """A service of advisories as OSV and the npm registry have them."""

    class Answers(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["content-length"]))
            sent = json.loads(gzip.decompress(body) if body[:2] == b"\x1f\x8b" else body)
            answer = json.dumps(say(self.path, sent)).encode()
            self.send_response(200)
            self.send_header("content-type", "application/json")
            self.send_header("content-length", str(len(answer)))
            self.end_headers()
            self.wfile.write(answer)

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Answers)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}"
    server.shutdown()
    server.server_close()
    thread.join(10)


def osv(name: str) -> Say:
    """Say that every version of one package before 99 is vulnerable."""
    advisory = {
        "id": "OSV-1",
        "published": "2026-01-02T00:00:00Z",
        "modified": "2026-01-02T00:00:00Z",
        "summary": "no good",
        "affected": [
            {
                "package": {"name": name, "ecosystem": "PyPI"},
                "ranges": [{"type": "ECOSYSTEM", "events": [{"introduced": "0"}, {"fixed": "99"}]}],
            }
        ],
    }
    return lambda _path, sent: {"vulns": [advisory]} if sent["package"]["name"] == name else {}


def test_what_a_shop_gets_ships_and_what_only_tests_use_does_not() -> None:
    there = audit.shipped()
    assert {"fastapi", "starlette", "jinja2", "sqlalchemy", "markupsafe", "numpy"} <= set(there)
    assert not {"pytest", "hypothesis", "mypy", "schemathesis", "pip-audit"} & set(there)
    assert "boothglass" not in there
    assert set(audit.shipped(())) < set(there)
    assert "pyarrow" in set(there) - set(audit.shipped(()))


def test_a_package_that_is_known_to_be_vulnerable_is_told_with_its_mending() -> None:
    with advisories(osv("jinja2")) as url:
        told = audit.python_told({"jinja2": "3.1.6", "numpy": "2.0.0"}, url)
        assert (told.asked, told.found) == (2, ("jinja2 3.1.6: OSV-1, mended in 99",))
        assert audit.python_told({"numpy": "2.0.0"}, url) == audit.Told(1)


@pytest.mark.skipif(shutil.which("npm") is None, reason="npm, which asks, is not here")
def test_scripts_that_ship_are_asked_for_and_build_tools_are_not() -> None:
    asked: list[str] = []

    def say(_path: str, sent: Any) -> Any:
        asked.extend(sent)
        return {
            "uplot": [
                {
                    "id": 1, "url": "https://advisories.example/1", "title": "no good",
                    "severity": "high", "vulnerable_versions": "<99.0.0",
                    "cwe": [], "cvss": {"score": 7, "vectorString": None},
                }
            ]
        }  # fmt: skip

    with advisories(say) as url:
        told = audit.scripts_told(registry=url)
    assert told.asked == 1
    assert told.found == ("uplot: no good (<99.0.0) https://advisories.example/1",)
    assert "esbuild" not in asked
    with advisories(lambda _path, _sent: {}) as url:
        assert audit.scripts_told(registry=url) == audit.Told(1)


def test_it_fails_on_what_is_found_and_says_where_nobody_answers() -> None:
    script = Path(audit.__file__)

    def run(*more: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, script, *more], capture_output=True, text=True, check=False
        )

    deaf = run("--osv-url", NOWHERE, "--npm-registry", NOWHERE)
    assert deaf.returncode == 0, deaf.stderr
    assert deaf.stdout.count("NOT AUDITED, nothing is known") == 2
    with advisories(osv("starlette")) as url:
        bad = run("--osv-url", url, "--npm-registry", NOWHERE)
    assert bad.returncode == 1, bad.stdout + bad.stderr
    assert "starlette" in bad.stdout
