"""The tables of dashboards/docs/load.md: many shops played at this machine, and what they cost.

    python deploy/load_table.py [--shops 1,10,100,300,1000] [--setups sqlite-1,postgresql-2]

Each cell starts its own broker, database and workers and plays ``boothglass load`` at them three
times: until every shop has been opened, then as sensors send, then as fast as it goes. It reads
from the system what the processes used.
A run of all takes an hour; cells may be made one by one, what was found is kept in --kept.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import closing, contextmanager
from functools import cache
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(ROOT / "tests")]
os.environ["BOOTHGLASS_TEST_DURABLE"] = "1"

import databases  # noqa: E402 -- they lie with the tests, which are no package
from equipment import Mosquitto, SetClock, free_port  # noqa: E402
from sqlalchemy import create_engine, make_url, text  # noqa: E402 -- beside those below

from service.store.db import sqlite_path  # noqa: E402
from service.store.shops_in_folders import FolderRegistry  # noqa: E402

PAGE = ROOT / "dashboards" / "docs" / "load.md"
BEGIN, END = "<!-- made by deploy/load_table.py -->", "<!-- end -->"
SETUPS = ("sqlite-1", "postgresql-1", "postgresql-2", "postgresql-4")
PARTS = ("service", "database", "broker")
SENSORS, EVERY_S, STEADY_S, FLOOD_S = 4, 30.0, 30.0, 1.5
OPENING_S = EVERY_S + 1.0
"""So long until every sensor has sent once."""

DOMAIN = "load.test"
START_S = 400.0
TICK = os.sysconf("SC_CLK_TCK")
Roots = dict[str, int]
"""Process ids that all others of a kind are children of."""

PAGE_BYTES = os.sysconf("SC_PAGE_SIZE")


def main() -> None:
    """Measure the cells that are asked for and write the page."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--shops", default="1,10,100,300,1000")
    asked.add_argument("--setups", default=",".join(SETUPS))
    asked.add_argument("--kept", type=Path, default=ROOT / ".load-cells.json")
    asked.add_argument("--only-write", action="store_true")
    given = asked.parse_args()
    kept = json.loads(given.kept.read_text()) if given.kept.exists() else {}
    if not given.only_write:
        for shops in map(int, given.shops.split(",")):
            for setup in given.setups.split(","):
                kept[f"{setup} {shops}"] = found = cell(setup, shops)
                print(setup, shops, json.dumps(found), flush=True)
                given.kept.write_text(json.dumps(kept, indent=1))
    write(kept)


def cell(setup: str, shops: int) -> dict[str, Any]:
    """Start an installation, play at it, and return what was measured."""
    kind, workers = setup.split("-")
    folder = Path(tempfile.mkdtemp(prefix="boothglass-load-"))
    data = folder / "data"
    data.mkdir()
    broker = Mosquitto(folder / "mosquitto")
    broker.start()
    try:
        environment = shops_in(kind, data, shops) | {
            "BOOTHGLASS_DATA": str(data),
            "BOOTHGLASS_MQTT_URL": broker.url,
            "BOOTHGLASS_WORKERS": workers,
            "BOOTHGLASS_SHOPS_DOMAIN": DOMAIN,
            "BOOTHGLASS_SIGN_IN": "off",
            "BOOTHGLASS_ZONE": "UTC",
            "BOOTHGLASS_HTTP_PORT": str(free_port()),
        }
        with serving(environment, folder / "log") as parent:
            roots = {"service": parent, "broker": broker.pid}
            if kind == "postgresql":
                roots["database"] = databases.server_pid()
            wait_until_idle(roots, environment)
            return measured(roots, environment)
    finally:
        broker.stop()
        shutil.rmtree(folder, ignore_errors=True)


def shops_in(kind: str, data: Path, shops: int) -> dict[str, str]:
    """Make the shops; return what a host of them is told."""
    words = [f"load{n}" for n in range(1, shops + 1)]
    if kind == "postgresql":
        made = on_server(shops)
        return {
            "BOOTHGLASS_DATABASE_URL": made.host_url,
            "BOOTHGLASS_SHOPS_SECRET": made.secret,
        }
    registry = FolderRegistry(data, SetClock())
    registry.add(words[0], words[0])
    first = data / "shops" / words[0]
    card = json.loads((first / "shop.json").read_text())
    for number, word in enumerate(words[1:], start=2):
        other = data / "shops" / word
        other.mkdir()
        shutil.copy(sqlite_path(first), sqlite_path(other))  # the tables, made once
        (other / "shop.json").write_text(json.dumps(card | {"id": number, "name": word}))
    return {}


@cache
def on_server(shops: int) -> databases.Hosting:
    """Make a database of so many shops, once for all set-ups: they differ in the workers."""
    return databases.hosting(f"load{shops}", *(f"load{n}" for n in range(1, shops + 1)))


@contextmanager
def serving(environment: dict[str, str], log: Path) -> Iterator[int]:
    """Serve; yields the parent's process id."""
    with log.open("wb") as out:
        process = subprocess.Popen(
            [str(Path(sys.executable).with_name("boothglass")), "serve"],
            env=os.environ | environment,
            stdout=out,
            stderr=out,
        )
    try:
        yield process.pid
    finally:
        process.send_signal(signal.SIGTERM)
        try:
            process.wait(120)
        except subprocess.TimeoutExpired:
            process.kill()


def wait_until_idle(roots: Roots, environment: dict[str, str]) -> None:
    """Wait until it answers, and has come to rest after its start."""
    until = time.monotonic() + START_S
    while time.monotonic() < until:
        try:
            ask(environment, "health")
            break
        except urllib.error.HTTPError as error:
            if error.code != 503:  # it says why it is not well yet
                raise
            time.sleep(0.5)
        except OSError:
            time.sleep(0.5)
    before = used(roots)["service"][0]
    while time.monotonic() < until:
        time.sleep(5.0)
        now = used(roots)["service"][0]
        if now - before < 2.5:  # less than half a processor
            return
        before = now


def ask(environment: dict[str, str], path: str) -> Any:
    """Ask the first shop's API."""
    port = environment["BOOTHGLASS_HTTP_PORT"]
    url = f"http://127.0.0.1:{port}/api/v1/{path}"
    request = urllib.request.Request(url, headers={"Host": f"load1.{DOMAIN}:{port}"})
    with urllib.request.urlopen(request, timeout=30) as answer:  # noqa: S310 -- our own
        return json.load(answer)


def measured(roots: Roots, environment: dict[str, str]) -> dict[str, Any]:
    """Play; CPU in seconds of a processor, memory in bytes at the end of what goes steadily."""
    opening_began = time.monotonic()
    opening = play(environment, EVERY_S, OPENING_S)
    wait_until_idle(roots, environment)
    opened_s = time.monotonic() - opening_began
    before, began = used(roots), time.monotonic()
    steady = play(environment, EVERY_S, STEADY_S)
    after, took = used(roots), time.monotonic() - began
    flood_before, flood_began = used(roots), time.monotonic()
    there = kept_readings(environment)
    flood = play(environment, 0.0, FLOOD_S)
    drained = "failed" not in flood and drain(environment, there + flood["acknowledged"])
    flood_after = used(roots)
    return {
        "opening": opening,
        "opened_s": opened_s,
        "steady": steady,
        "steady_s": took,
        "cpu_s": {who: after[who][0] - before[who][0] for who in after},
        "memory_bytes": {who: after[who][1] for who in after},
        "flood": flood,
        "drained_s": drained and time.monotonic() - flood_began,
        "flood_cpu_s": {who: flood_after[who][0] - flood_before[who][0] for who in flood_after},
        "machine_load": os.getloadavg()[0],
    }


def play(environment: dict[str, str], every_s: float, seconds: float) -> dict[str, Any]:
    """Run the command as anybody would."""
    pages = f"http://127.0.0.1:{environment['BOOTHGLASS_HTTP_PORT']}"
    shops = str(shops_of(environment))
    done = subprocess.run(
        [
            str(Path(sys.executable).with_name("boothglass")), "load", "--json",
            "--shops", shops, "--sensors", str(SENSORS), "--every", str(every_s),
            "--seconds", str(seconds), "--pages", pages,
        ],
        env=os.environ | environment,
        capture_output=True,
        text=True,
        check=False,
    )  # fmt: skip
    if done.returncode:
        return {"failed": done.stderr.strip()}
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def shops_of(environment: dict[str, str]) -> int:
    """Count the shops: by their folders, or as the database lists them."""
    from service.store.hosting import shops_of as opened

    shops = opened(
        Path(environment["BOOTHGLASS_DATA"]),
        environment.get("BOOTHGLASS_DATABASE_URL"),
        environment.get("BOOTHGLASS_SHOPS_SECRET"),
    )
    try:
        return len(shops.listed())
    finally:
        shops.dispose()


def drain(environment: dict[str, str], wanted: int) -> bool:
    """Wait until so many readings are kept."""
    until = time.monotonic() + START_S
    while time.monotonic() < until:
        if kept_readings(environment) >= wanted:
            return True
        time.sleep(0.2)
    return False


def kept_readings(environment: dict[str, str]) -> int:
    """Count the readings of all shops, past whatever keeps shops apart."""
    asked = "SELECT count(*) FROM reading"
    if "BOOTHGLASS_DATABASE_URL" in environment:
        name = make_url(environment["BOOTHGLASS_DATABASE_URL"]).database
        engine = create_engine(databases.as_superuser(str(name)))
        with engine.connect() as connection:
            found = int(connection.execute(text(asked)).scalar_one())
        engine.dispose()
        return found
    files = Path(environment["BOOTHGLASS_DATA"], "shops").glob("*/boothglass.sqlite")
    total = 0
    for file in files:
        with closing(sqlite3.connect(f"file:{file}?mode=ro", uri=True)) as opened:
            total += int(opened.execute(asked).fetchone()[0])
    return total


def used(roots: Roots) -> dict[str, tuple[float, int]]:
    """Processor seconds and own resident bytes: of the service, the database server, the broker."""
    pids = [int(entry.name) for entry in Path("/proc").iterdir() if entry.name.isdecimal()]
    everyone = {pid: seen for pid in pids if (seen := stat(pid)) is not None}
    found = {}
    for who, root in roots.items():
        ours = {root}
        for _ in range(3):
            ours |= {pid for pid, seen in everyone.items() if seen[0] in ours}
        theirs = [everyone[pid] for pid in ours if pid in everyone]
        found[who] = (sum(cpu for _, cpu, _ in theirs), sum(memory for _, _, memory in theirs))
    return found


def stat(pid: int) -> tuple[int, float, int] | None:
    """Parent, processor seconds (of ended children, too) and bytes that it shares with nobody."""
    try:
        text = Path(f"/proc/{pid}/stat").read_text()
        pages = Path(f"/proc/{pid}/statm").read_text().split()
    except OSError:
        return None
    cells = text.rpartition(")")[2].split()
    cpu = sum(map(int, cells[11:15])) / TICK
    return int(cells[1]), cpu, (int(pages[1]) - int(pages[2])) * PAGE_BYTES


def write(kept: dict[str, Any]) -> None:
    """Write both tables between the markers of the page."""
    lines = [BEGIN, "", *steady_table(kept), "", *flood_table(kept), "", END]
    text = PAGE.read_text()
    before, after = text[: text.index(BEGIN)], text[text.index(END) + len(END) :]
    PAGE.write_text(before + "\n".join(lines) + after)


def rows(kept: dict[str, Any]) -> Iterator[tuple[str, int, dict[str, Any]]]:
    """Yield set-up, shops and figures in the order of the table."""
    for setup in SETUPS:
        its = [key.split()[1] for key in kept if key.split()[0] == setup]
        for shops in sorted(map(int, its)):
            yield setup, shops, kept[f"{setup} {shops}"]


def named(setup: str) -> str:
    """Name a set-up as a person would."""
    kind, workers = setup.split("-")
    counted = "1 worker" if workers == "1" else f"{workers} workers"
    return f"{'SQLite' if kind == 'sqlite' else 'PostgreSQL'}, {counted}"


def steady_table(kept: dict[str, Any]) -> list[str]:
    """Table of sensors as they send."""
    head = (
        "set-up", "shops", "readings/s", "changed check: median", "95 %", "not answered",
        "service CPU", "database CPU", "broker CPU", "service memory", "database memory",
        "CPU a reading", "memory a shop", "opening: changed check, median",
        "opening: at rest after", "load of the machine",
    )  # fmt: skip
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    for setup, shops, found in rows(kept):
        steady, cpu, memory = found["steady"], found["cpu_s"], found["memory_bytes"]
        if "failed" in steady:
            lines.append(f"| {named(setup)} | {shops} | failed: {steady['failed']} |")
            continue
        took, sent = found["steady_s"], max(1, steady["acknowledged"])
        total = sum(cpu.values())
        cells = (
            named(setup), shops, f"{steady['per_s']:.1f}", seconds(steady["latency_median_s"]),
            seconds(steady["latency_p95_s"]), steady["unanswered"],
            *(f"{100 * cpu.get(who, 0.0) / took:.0f} %" for who in PARTS),
            *(f"{memory.get(who, 0) / 1e6:.0f} MB" for who in ("service", "database")),
            f"{1000 * total / sent:.0f} ms", f"{memory['service'] / shops / 1e6:.1f} MB",
            seconds(found["opening"].get("latency_median_s")), f"{found['opened_s']:.0f} s",
            f"{found['machine_load']:.1f}",
        )  # fmt: skip
        lines.append("| " + " | ".join(map(str, cells)) + " |")
    return lines


def flood_table(kept: dict[str, Any]) -> list[str]:
    """Table of the flood."""
    head = ("set-up", "shops", "taken by the broker", "kept", "CPU of all, a reading")
    lines = ["| " + " | ".join(head) + " |", "|" + "---|" * len(head)]
    for setup, shops, found in rows(kept):
        flood = found["flood"]
        if "failed" in flood or not found["drained_s"]:
            lines.append(f"| {named(setup)} | {shops} | {flood.get('failed', 'did not drain')} |")
            continue
        count = flood["acknowledged"]
        cells = (
            named(setup), shops, f"{flood['per_s']:.0f}/s", f"{count / found['drained_s']:.0f}/s",
            f"{1000 * sum(found['flood_cpu_s'].values()) / count:.1f} ms",
        )  # fmt: skip
        lines.append("| " + " | ".join(map(str, cells)) + " |")
    return lines


def seconds(value: float | None) -> str:
    """Show a latency."""
    return "–" if value is None else f"{1000 * value:.0f} ms" if value < 10 else f"{value:.0f} s"


if __name__ == "__main__":
    main()
