"""The node as a process, a real Mosquitto, and both killed: every measurement arrives once."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections import defaultdict
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from equipment import Mosquitto, eventually
from listening import Heard, Listener

from sensors.node.buffer import Buffer
from sensors.payloads import decode

pytestmark = pytest.mark.real

SCRIPT = Path(__file__).with_name("node_on_simulated_bus.py")
TOPIC = "boothglass/booth/board"


class Node:
    """The command in a process of its own, on the simulated bus."""

    def __init__(self, folder: Path, broker_url: str, *flags: str) -> None:
        self.folder = folder
        self.buffer = folder / "state" / "buffer.sqlite"
        self.measured = folder / "measured.log"
        self.clock = folder / "clock.txt"
        self.said = folder / "node.log"
        self.config = folder / "node.toml"
        self.clock.write_text("0")
        self.config.write_text(
            f'chip = "sht4x"\nplace = "booth"\nsensor = "board"\nbroker = "{broker_url}"\n'
            f'interval_s = 0.2\nbuffer = "{self.buffer}"\ntrust_clock = true\n'
        )
        self._flags = flags
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        with self.said.open("ab") as said:
            self._process = subprocess.Popen(
                [sys.executable, str(SCRIPT), "--config", str(self.config), *self._flags],
                env=os.environ | {"NODE_LOG": str(self.measured), "NODE_CLOCK": str(self.clock)},
                stdout=said,
                stderr=said,
            )

    def end(self, how: signal.Signals) -> int:
        assert self._process is not None
        self._process.send_signal(how)
        code = self._process.wait(timeout=15)
        self._process = None
        return code

    def is_running(self) -> bool:
        return self._process is not None and self._process.poll() is None

    def measured_words(self) -> list[tuple[int, str]]:
        """Word and process of every measurement that left the chip."""
        if not self.measured.exists():
            return []
        lines = [line.split() for line in self.measured.read_text().splitlines()]
        return [(int(word), pid) for word, pid in lines]

    def last_of_each_process(self) -> set[int]:
        return set({pid: word for word, pid in self.measured_words()}.values())

    def waiting(self) -> int:
        buffer = Buffer(self.buffer, 10**6, 1e9)
        try:
            return buffer.counts().waiting
        finally:
            buffer.close()


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    """A Mosquitto that writes its sessions down at every change: a kill must not lose them."""
    made = Mosquitto(tmp_path / "mosquitto", ("autosave_on_changes true", "autosave_interval 1"))
    made.start()
    yield made
    made.kill()


@pytest.fixture
def node(tmp_path: Path, broker: Mosquitto) -> Iterator[Node]:
    folder = tmp_path / "board"
    folder.mkdir()
    made = Node(folder, broker.url, "--most-per-s", "200")
    yield made
    if made.is_running():
        made.end(signal.SIGKILL)


def word_of(air_c: float) -> int:
    return round((air_c + 45) / 175 * 65_535)


def heard(listener: Listener) -> dict[int, set[datetime]]:
    """The instants under which each measurement arrived, by its word."""
    found: dict[int, set[datetime]] = defaultdict(set)
    for message in list(listener.got):
        (report,) = decode(message.topic, message.payload, datetime(2020, 1, 1, tzinfo=UTC))
        assert report.timed
        found[word_of(report.air_c)].add(report.at)
    return found


def assert_each_once(found: dict[int, set[datetime]]) -> None:
    assert all(len(instants) == 1 for instants in found.values())
    instants = [at for (at,) in found.values()]
    assert len(set(instants)) == len(instants)


def first_time_order(got: list[Heard]) -> list[int]:
    """The words in the order of their first arrival."""
    return list(dict.fromkeys(word_of(json.loads(m.payload)["air_c"]) for m in got))


def test_readings_arrive_and_sigterm_ends_it_cleanly(node: Node, broker: Mosquitto) -> None:
    listener = Listener(broker)
    node.start()
    eventually(lambda: len(listener.got) >= 10, 20, "ten readings")
    assert node.end(signal.SIGTERM) == 0
    assert {message.topic for message in listener.got} == {TOPIC}
    found = heard(listener)
    assert_each_once(found)
    # What was measured just before the end may wait for the next start.
    assert {word for word, _ in node.measured_words()} - set(found) <= node.last_of_each_process()
    ages_s = [
        (m.at - datetime.fromisoformat(json.loads(m.payload)["at"])).total_seconds()
        for m in listener.got
    ]
    assert sorted(ages_s)[len(ages_s) // 2] < 1.0  # a reading is on its way at once
    listener.close()


@pytest.mark.slow
def test_node_and_broker_killed_again_and_again(node: Node, broker: Mosquitto) -> None:
    listener = Listener(broker)
    node.start()
    kills = 0
    for round_ in range(6):
        reached = len(listener.got) + 8
        eventually(lambda goal=reached: len(listener.got) >= goal, 60, f"readings of {round_}")
        if round_ % 2:
            # Just after a message has come, and no other under way: what the broker has
            # acknowledged and not yet passed on dies with it, whoever sent it.
            eventually(lambda: node.waiting() <= 1, 60, "all is sent")
            fresh = len(listener.got) + 1
            eventually(lambda goal=fresh: len(listener.got) >= goal, 10, "a fresh reading")
            broker.kill()
            time.sleep(1.0)
            node.end(signal.SIGKILL)
            node.start()
            time.sleep(1.5)
            broker.start()
        else:
            node.end(signal.SIGKILL)
            node.start()
        kills += 1
    eventually(lambda: len(listener.got) > 80, 60, "the end")
    assert node.end(signal.SIGTERM) == 0
    node.start()  # what waited at the end is delivered, too
    reached = len(listener.got) + 3
    eventually(lambda: len(listener.got) >= reached, 60, "three more readings")
    assert node.end(signal.SIGTERM) == 0
    found = heard(listener)
    assert_each_once(found)
    missing = {word for word, _ in node.measured_words()} - set(found)
    # A measurement dies only with the process that has just taken it from the chip.
    assert missing <= node.last_of_each_process()
    assert len(missing) <= kills + 2  # and two orderly ends
    order = first_time_order(listener.got)
    assert order == sorted(order)
    listener.close()


def test_a_broker_that_is_away_from_the_start(node: Node, broker: Mosquitto) -> None:
    listener = Listener(broker)
    broker.stop()
    node.start()
    eventually(lambda: len(node.measured_words()) >= 15, 30, "measured while nobody listens")
    assert node.is_running()
    assert node.waiting() >= 14
    broker.start()
    eventually(lambda: len(listener.got) >= 20, 60, "all of it arrives")
    node.end(signal.SIGTERM)
    found = heard(listener)
    assert_each_once(found)
    words = [word for word, _ in node.measured_words()]
    assert first_time_order(listener.got) == words[: len(found)]
    listener.close()


def test_a_long_gap_drains_in_order_and_no_faster_than_told(
    tmp_path: Path, broker: Mosquitto
) -> None:
    # Hours of readings in the buffer, as if the broker had been away: written as the node does.
    folder = tmp_path / "board"
    folder.mkdir()
    node = Node(folder, broker.url, "--most-per-s", "100")
    node.start()
    eventually(lambda: len(node.measured_words()) >= 1, 20)
    node.end(signal.SIGTERM)
    node.measured.unlink()
    filler = subprocess.run(
        [sys.executable, "-c", FILL, str(node.buffer)], check=True, capture_output=True, text=True
    )
    assert filler.stdout.strip() == "960"
    listener = Listener(broker)
    begun_s = time.monotonic()
    node.start()
    eventually(lambda: len(listener.got) >= 960, 60, "eight hours of readings")
    took_s = time.monotonic() - begun_s
    node.end(signal.SIGTERM)
    # 960 at 100 a second; the last batch of twenty is not waited for.
    assert took_s >= 9.4
    at = [json.loads(m.payload)["at"] for m in listener.got]
    assert at[:960] == sorted(at[:960])
    assert len(set(at)) == len(at)
    listener.close()


FILL = """
import sys, time
from pathlib import Path
from sensors.node.buffer import Buffer
from sensors.node.chip import Measurement
from sensors.node.clock import Moment
buffer = Buffer(Path(sys.argv[1]), 10**6, 1e9)
buffer.forget(buffer.oldest(10**6))
begun_ms = time.time_ns() // 10**6
for number in range(960):
    moment = Moment("filled", 30_000 * number, begun_ms - 8 * 3600 * 1000 + 30_000 * number)
    buffer.keep(Measurement(10.0 + number / 1000, 50.0, (number,)), moment)
print(buffer.counts().waiting)
"""


def test_a_clock_that_is_stepped_never_gives_two_readings_one_instant(
    node: Node, broker: Mosquitto
) -> None:
    listener = Listener(broker)
    node.start()
    for wrong_by_s in (0, -3, 0, -2.5, 3600, 0, -1):
        node.clock.write_text(f"{wrong_by_s}")
        reached = len(listener.got) + 6
        eventually(lambda goal=reached: len(listener.got) >= goal, 30, "readings after a step")
    node.end(signal.SIGTERM)
    found = heard(listener)
    assert_each_once(found)
    assert len(found) >= 42
    listener.close()


def test_a_refused_password_is_said_and_mended_without_a_restart_of_the_board(
    node: Node, broker: Mosquitto
) -> None:
    good = node.config.read_text()
    node.config.write_text(good.replace("s3cret", "wrong"))
    node.start()
    eventually(lambda: "refuses" in node.said.read_text(), 20, "the refusal is logged")
    assert node.is_running()
    assert "wrong%20" not in node.said.read_text()
    assert "wrong with" not in node.said.read_text()
    node.end(signal.SIGTERM)
    waiting = node.waiting()
    assert waiting >= 1
    node.config.write_text(good)
    listener = Listener(broker)
    node.start()
    eventually(lambda: len(listener.got) >= waiting + 1, 20, "what waited has arrived")
    node.end(signal.SIGTERM)
    assert_each_once(heard(listener))
    listener.close()
