"""Readings a second: the intake, a subscriber that does nothing, and a bare insert, in one run."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from equipment import PASSWORD, USER, Mosquitto, command
from paho.mqtt.enums import CallbackAPIVersion

from sensors.payloads import encode
from service.store.db import Database, sqlite_url

pytestmark = pytest.mark.bench

SENSORS, EACH, TURNS, BATCH = 8, 2500, 3, 500
COUNT = SENSORS * EACH
START = datetime(2026, 1, 1, tzinfo=UTC)
FOLDER = Path(__file__).parent


class Subscriber:
    """One way to take readings from the broker, in a process of its own."""

    def __init__(self, way: str, broker: Mosquitto, folder: Path) -> None:
        self.way, self.broker, self.folder = way, broker, folder

    def start(self, count: int) -> subprocess.Popen[str]:
        process = subprocess.Popen(
            [
                sys.executable, str(FOLDER / "drain.py"), self.way, self.broker.url,
                str(self.folder), str(count),
            ],
            stdout=subprocess.PIPE, text=True,
        )  # fmt: skip
        assert process.stdout is not None
        assert process.stdout.readline() == "stands\n"
        return process

    def forget(self) -> None:
        """Let the broker forget the session, so that it keeps nothing more for it."""
        kept = self.folder / "mqtt-client-id"
        name = kept.read_text().strip() if kept.exists() else self.way
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=name, clean_session=True)
        client.username_pw_set(USER, PASSWORD)
        client.connect("127.0.0.1", self.broker.port)
        while not client.is_connected():
            client.loop(0.1)
        client.disconnect()
        client.loop(0.1)


def figures(process: subprocess.Popen[str]) -> list[float]:
    out, _ = process.communicate(timeout=180)
    return [float(word) for word in out.split()]


def lines() -> bytes:
    """What one sensor sends: air that moves a little, every 30 s."""
    return b"".join(
        encode(
            at=START + timedelta(seconds=30 * n),
            air_c=20.0 + 0.01 * (n % 7),
            rh_pct=50.0 + 0.1 * (n % 9),
        )
        + b"\n"
        for n in range(EACH)
    )


def publishers(broker: Mosquitto) -> list[subprocess.Popen[bytes]]:
    """One mosquitto_pub a sensor: it is not ours, and in C."""
    how = [command("mosquitto_pub"), "-h", "127.0.0.1", "-p", str(broker.port)]
    how += ["-u", USER, "-P", PASSWORD, "-q", "1", "-l"]
    return [
        subprocess.Popen([*how, "-t", f"boothglass/place{n // 2}/s{n}"], stdin=subprocess.PIPE)
        for n in range(SENSORS)
    ]


def preload(broker: Mosquitto) -> None:
    """Publish everything, one sensor after the other, and wait until the broker has it."""
    for publisher in publishers(broker):
        publisher.communicate(lines(), timeout=120)


def backlog(way: str, broker: Mosquitto, folder: Path) -> list[float]:
    """The broker hands on what it has kept for the session; nobody publishes meanwhile."""
    subscriber = Subscriber(way, broker, folder)
    figures(subscriber.start(0))
    preload(broker)
    found = figures(subscriber.start(COUNT))
    subscriber.forget()
    return found


def live(way: str, broker: Mosquitto, folder: Path) -> list[float]:
    """Eight sensors send as fast as the broker takes it; all share the machine."""
    subscriber = Subscriber(way, broker, folder)
    process = subscriber.start(COUNT)
    sending, text = publishers(broker), lines()
    for publisher in sending:
        assert publisher.stdin is not None
        publisher.stdin.write(text)  # more than a pipe holds, so they begin one after the other
        publisher.stdin.close()
    found = figures(process)
    for publisher in sending:
        assert publisher.wait(60) == 0
    subscriber.forget()
    return found


def insert(folder: Path) -> list[float]:
    """The same rows into the same table, as fast as SQLite takes them at full sync."""
    made = Database(sqlite_url(folder))
    made.upgrade()
    made.dispose()
    database = sqlite3.connect(folder / "boothglass.sqlite", isolation_level=None)
    database.execute("PRAGMA synchronous=FULL")
    rows = [(1 + n % SENSORS, 30_000 * (n // SENSORS), 100, 200_000, 500_000) for n in range(COUNT)]
    began = time.perf_counter(), time.process_time()
    for first in range(0, COUNT, BATCH):
        database.execute("BEGIN IMMEDIATE")
        database.executemany(
            "INSERT INTO reading (sensor_id, at, delay_ms, raw_air_c, raw_rh_pct)"
            " VALUES (?, ?, ?, ?, ?)",
            rows[first : first + BATCH],
        )
        database.execute("COMMIT")
    found = [time.perf_counter() - began[0], time.process_time() - began[1]]
    database.close()
    return found


def measured(take, broker: Mosquitto, root: Path) -> dict[str, list[float]]:
    """Each way's quickest of some turns, in turns."""
    best: dict[str, list[float]] = {}
    for turn in range(TURNS):
        for way in ("plain", "plain5", "intake"):
            folder = root / f"{take.__name__}-{way}-{turn}"
            folder.mkdir()
            best[way] = min(best.get(way, [float("inf")]), take(way, broker, folder))
    return best


NAMES = {
    "plain": "subscriber that counts, 3.1.1",
    "plain5": "subscriber that counts, MQTT 5",
    "intake": "intake: kept, acknowledged",
    "insert": "bare insert, 500 a commit",
}


def show(title: str, best: dict[str, list[float]]) -> None:
    load = os.getloadavg()[0]
    print(f"\n{title}: {COUNT:,} readings, best of {TURNS} turns; load of the machine {load:.1f}")
    for way, found in best.items():
        wall, processor = found[:2]
        print(
            f"  {NAMES[way]:<32}{COUNT / wall:>8,.0f}/s {best['plain'][0] / wall:>6.2f} x plain"
            f"{1e6 * processor / COUNT:>7.0f} µs of processor a reading"
        )
    if "intake" in best:
        print(f"  ... and all assessed and rolled up after {best['intake'][2]:.1f} s")


@pytest.fixture
def broker(tmp_path):
    made = Mosquitto(tmp_path / "mosquitto")
    made.start()
    yield made
    made.stop()


def test_a_backlog_is_taken_nearly_as_fast_as_it_could_be_counted(broker, tmp_path):
    best = measured(backlog, broker, tmp_path)
    best["insert"] = min(insert(_new(tmp_path / f"insert{turn}")) for turn in range(TURNS))
    show("A backlog handed on", best)
    assert best["intake"][0] <= best["plain"][0] / 0.8


def test_a_flood_is_taken_nearly_as_fast_as_it_could_be_counted(broker, tmp_path):
    best = measured(live, broker, tmp_path)
    show("A flood", best)
    assert best["intake"][0] <= best["plain"][0] / 0.8


def _new(folder: Path) -> Path:
    folder.mkdir()
    return folder
