"""What a year of readings costs, and how quickly it can be drawn: measured, in Markdown.

    python deploy/history_table.py FOLDER            print the table
    python deploy/history_table.py FOLDER --write    and put it into dashboards/docs/history.md

The year is built into FOLDER where it is not there yet (some twenty minutes, 330 MB). A real
service answers over HTTP from a copy of it; times are those of the whole answer, as a page would
wait for it, after one of each was asked to warm up.
"""

from __future__ import annotations

import http.client
import json
import os
import shutil
import signal
import socket
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from document import DOCS, Block
from history_year import DAYS, FULL, LEAN, START, build

END = START + timedelta(days=DAYS)
SPANS = {"day": 1, "week": 7, "month": 30, "year": 365}
PLACES = {1: "booth", 2: "rack", 8: "store"}
TURNS = 15
BLOCK = Block(
    DOCS / "history.md",
    "<!-- made by deploy/history_table.py -->",
    "<!-- end of what was made -->",
)


@dataclass
class Sizes:
    """Bytes of a file, for each reading in it."""

    readings: int
    reading: float
    rollup: float


@dataclass
class Answer:
    """One question's answers over some turns."""

    resolution: str
    rows: int
    kilobytes: float
    median_ms: float
    processor_ms: float


@dataclass
class Measured:
    """Everything that goes into the table."""

    load: float
    sizes: dict[str, Sizes]
    charts: dict[tuple[int, str], Answer] = field(default_factory=dict)
    explicit: dict[tuple[str, str], Answer] = field(default_factory=dict)
    rss_mb: dict[str, float] = field(default_factory=dict)
    pss_mb: dict[str, float] = field(default_factory=dict)
    after: float = 0.0


def sizes(file: Path) -> Sizes:
    """Return what readings and roll-ups take, whole pages counted, a reading."""
    with closing(sqlite3.connect(file)) as connection:
        (readings,) = connection.execute("SELECT count(*) FROM reading").fetchone()
    # The command's SQLite knows the table of pages; the one that comes with Python may not.
    query = "SELECT name, sum(pgsize) FROM dbstat WHERE name IN ('reading', 'rollup') GROUP BY name"
    told = subprocess.run(
        ["sqlite3", "-readonly", str(file), query], check=True, capture_output=True, text=True
    ).stdout
    used = dict(line.split("|") for line in told.splitlines())
    return Sizes(readings, int(used["reading"]) / readings, int(used["rollup"]) / readings)


class Served:
    """A service on a free port, at the end of the year."""

    def __init__(self, data: Path) -> None:
        self.port, mqtt = _free_port(), _free_port()
        environment = os.environ | {
            "BOOTHGLASS_DATA": str(data),
            "BOOTHGLASS_HTTP_PORT": str(self.port),
            "BOOTHGLASS_MQTT_PORT": str(mqtt),
            "BOOTHGLASS_SIGN_IN": "off",
            "BOOTHGLASS_CLOCK_START": f"{END:%Y-%m-%dT%H:%M:%SZ}",
        }
        self._process = subprocess.Popen(
            [str(Path(sys.executable).with_name("boothglass")), "serve"],
            env=environment,
            stdout=subprocess.DEVNULL,
        )
        self._connection: http.client.HTTPConnection | None = None
        for _ in range(1200):
            time.sleep(0.1)
            try:
                self.get("health")
            except OSError:
                continue
            self._calm()
            self._connection = None  # the server has closed it meanwhile
            return
        raise RuntimeError("the service did not come up")

    def _calm(self) -> None:
        """Wait for what it does in the background after a start: outlooks, the first check."""
        for _ in range(45):
            before = self.processor_ms()
            time.sleep(2.0)
            if self.processor_ms() - before < 100.0:
                return

    def get(self, path: str) -> tuple[bytes, str]:
        """Return the body of an answer, and its resolution where it has one."""
        if self._connection is None:
            self._connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        try:
            self._connection.request("GET", f"/api/v1/{path}")
            answer = self._connection.getresponse()
            body = answer.read()
        except OSError:
            self._connection = None
            raise
        if answer.status != 200:
            raise RuntimeError(f"{path}: {answer.status} {body[:300]!r}")
        return body, answer.getheader("Boothglass-Resolution", "")

    def processor_ms(self) -> float:
        """Return the processor time that the process has used so far [ms]."""
        fields = Path(f"/proc/{self._process.pid}/stat").read_text(encoding="ascii").split()
        return 1e3 * (int(fields[13]) + int(fields[14])) / os.sysconf("SC_CLK_TCK")

    def memory(self) -> tuple[float, float]:
        """Return resident and proportional memory of the process [MB]."""
        text = Path(f"/proc/{self._process.pid}/smaps_rollup").read_text(encoding="ascii")
        kilo = {line.split(":")[0]: int(line.split()[1]) for line in text.splitlines()[1:]}
        return kilo["Rss"] / 1024.0, kilo["Pss"] / 1024.0

    def stop(self) -> None:
        """End the service in good order."""
        self._process.send_signal(signal.SIGTERM)
        self._process.wait(timeout=30)


@contextmanager
def served(file: Path, *, all_in_one: bool = False) -> Iterator[Served]:
    """Run a service on a copy of a file; if told, all its sensors hang in one place."""
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "boothglass.sqlite"
        shutil.copy(file, copy)
        if all_in_one:
            with closing(sqlite3.connect(copy)) as connection, connection:
                connection.execute("UPDATE sensor SET place_id = 'store'")
        service = Served(Path(folder))
        try:
            yield service
        finally:
            service.stop()


def ask(service: Served, place: str, days: float, **how: object) -> Answer:
    """Ask for the last so many days some times over."""
    begin = END - timedelta(days=days)
    query = "&".join(
        [f"from={begin:%Y-%m-%dT%H:%M:%SZ}", f"to={END:%Y-%m-%dT%H:%M:%SZ}"]
        + [f"{key}={value}" for key, value in how.items()]
    )
    path = f"places/{place}/history?{query}"
    body, resolution = service.get(path)
    rows: list[Any] = json.loads(body)
    passed = []
    before = service.processor_ms()
    for _ in range(TURNS):
        start = time.perf_counter()
        service.get(path)
        passed.append(1e3 * (time.perf_counter() - start))
    processor_ms = (service.processor_ms() - before) / TURNS
    median_ms = statistics.median(passed)
    return Answer(resolution, len(rows), len(body) / 1024.0, median_ms, processor_ms)


def measure(folder: Path) -> Measured:
    """Measure everything; builds what is not there."""
    file = build(folder / "year")
    found = Measured(
        os.getloadavg()[0],
        {
            "a year, as a shop would have it": sizes(file),
            "a month, air and humidity only": sizes(build(folder / "lean", days=30, devices=LEAN)),
            "a month, every sensor sends everything": sizes(
                build(folder / "full", days=30, devices=FULL)
            ),
        },
    )
    with served(file) as service:
        note(found, service, "after the start")
        for sensors in (1, 2):
            for span, days in SPANS.items():
                found.charts[sensors, span] = ask(service, PLACES[sensors], days, points=600)
        for span, days in SPANS.items():
            steps = {"day": ("1m", "5m"), "week": ("5m", "15m"), "month": ("15m", "1h")}
            for step in steps.get(span, ("1h", "6h", "1d")):
                found.explicit[span, step] = ask(service, "rack", days, resolution=step)
        found.explicit["hour", "raw"] = ask(service, "rack", 1 / 24, resolution="raw")
        found.explicit["day", "raw"] = ask(service, "rack", 1, resolution="raw")
        note(found, service, "after all these charts")
    with served(file, all_in_one=True) as service:
        for span, days in SPANS.items():
            found.charts[8, span] = ask(service, PLACES[8], days, points=600)
        note(found, service, "after the charts of 8 sensors")
    found.after = os.getloadavg()[0]
    return found


def note(found: Measured, service: Served, when: str) -> None:
    """Note the memory."""
    found.rss_mb[when], found.pss_mb[when] = service.memory()


def table(found: Measured) -> str:
    """Write what was measured as Markdown."""
    machine = f"{os.cpu_count()} cores, SQLite {sqlite3.sqlite_version}"
    load = f"load {found.load:.1f} before and {found.after:.1f} after"
    out = [
        f"Measured {datetime.now(UTC):%Y-%m-%d}: {machine}, {load}.",
        "",
        "| file | readings | bytes a reading, key and index | and its roll-ups |",
        "|---|---|---|---|",
    ]
    out += [
        f"| {name} | {size.readings:,} | {size.reading:.1f} | {size.rollup:.1f} |"
        for name, size in found.sizes.items()
    ]
    heading = (
        f"Charts, `resolution=auto&points=600`: ms by the clock, median of {TURNS}; in brackets "
        "the service's processor time, which does not depend on what else runs; and what came:"
    )
    out += [
        "",
        heading,
        "",
        "| sensors in the place | " + " | ".join(SPANS) + " |",
        "|---|" + "---|" * len(SPANS),
    ]
    for sensors in PLACES:
        cells = [cell(found.charts[sensors, span]) for span in SPANS]
        out.append(f"| {sensors} | " + " | ".join(cells) + " |")
    out += [
        "",
        "Resolutions asked for by name, two sensors:",
        "",
        "| span | resolution | rows | ms by the clock (processor) | kB |",
        "|---|---|---|---|---|",
    ]
    out += [
        f"| {span} | {step} | {a.rows:,} | {a.median_ms:.0f} ({a.processor_ms:.0f}) "
        f"| {a.kilobytes:,.0f} |"
        for (span, step), a in found.explicit.items()
    ]
    out += ["", "| memory of the service, broker included | resident, MB | proportional, MB |"]
    out.append("|---|---|---|")
    out += [f"| {when} | {found.rss_mb[when]:.0f} | {found.pss_mb[when]:.0f} |"
            for when in found.rss_mb]  # fmt: skip
    return "\n".join(out)


def cell(answer: Answer) -> str:
    """Write one chart's cell."""
    took = f"{answer.median_ms:.0f} ({answer.processor_ms:.0f})"
    return f"{took}, {answer.rows} of {answer.resolution}"


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def main() -> None:
    """Print the table, and write it where told."""
    made = table(measure(Path(sys.argv[1])))
    print(made)
    if "--write" in sys.argv[2:]:
        BLOCK.write(made)


if __name__ == "__main__":
    main()
