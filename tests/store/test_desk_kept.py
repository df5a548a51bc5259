"""What the desk keeps from one question to the next is what it would reckon anew.

The reference is a desk over a database of its own that has never been asked before. Whatever came
in between (readings in time, late and wrong ones, coats, moves, settings, the clock), both say the
same.
"""

from __future__ import annotations

import itertools
import tempfile
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from threading import Barrier, Thread
from typing import Any

import databases
import numpy as np
import pytest
from equipment import SetClock
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from service.store import corrections
from service.store.catalogue import load_catalogue
from service.store.db import Database
from service.store.desk import Desk, ShopFacts
from service.store.errors import StoreError
from service.store.readings import NewReading, record_batch
from service.store.settling import settle_all
from service.store.tables import Correction
from service.store.work import Work

LACQUER = "nitro-lacquer-gun"
DAYS = 4
PIECES = (1, 2)


class Bench:
    """A shop with days of air, two pieces and outlooks, and a desk that has been asked before."""

    def __init__(self, folder: Path) -> None:
        self.url = databases.address(folder)
        self.clock = SetClock()
        self.db = Database(self.url)
        self.catalogue = load_catalogue()
        self.desk = Desk(self.db, self.clock, self.catalogue, ShopFacts())
        self.work = Work(self.db, self.clock, self.catalogue, self.desk)
        self.turn = itertools.count()

    def read(self, *, minutes: float = 0.0, warmer: float = 0.0, sensor: str = "wall") -> None:
        """Readings of both places, so many minutes ago."""
        at = self.clock.now() - timedelta(minutes=minutes)
        hour = at.timestamp() / 3600.0
        air = 17.0 + 2.0 * np.cos(2 * np.pi * (hour - 15.0) / 24.0) + warmer
        with self.db.write() as session:
            record_batch(
                session,
                [
                    NewReading(place, sensor, at, at, round(float(air + off), 2), 52.0, None)
                    for place, off in (("booth", 0.0), ("rack", 2.0))
                ],
            )
        settle_all(self.db)

    def coat(self, piece: int) -> None:
        try:
            self.work.record_coat(piece, material_id=LACQUER)
        except StoreError:  # not what comes next
            self.work.hang(piece, "rack")

    def correct(self) -> None:
        with self.db.write() as session:
            correction = Correction(
                sensor_id=1, quantity="air_c", offset=0.3, method="typed in",
                from_at=self.clock.now() - timedelta(hours=7), made_at=self.clock.now(),
            )  # fmt: skip
            corrections.keep(session, correction)
        settle_all(self.db)

    def set_staleness(self, seconds: float) -> None:
        self.desk.facts = replace(self.desk.facts, stale_after_s=seconds)

    def do(self, what: str) -> None:
        """One of the things that happen in a shop."""
        deeds: dict[str, Any] = {
            "seconds": lambda: self.clock.advance(seconds=7),
            "minutes": lambda: self.clock.advance(minutes=4),
            "hours": lambda: self.clock.advance(hours=13),
            "reading": self.read,
            "same reading": lambda: (self.read(), self.clock.advance(seconds=30), self.read()),
            "late reading": lambda: self.read(minutes=200, warmer=0.5),
            "other sensor": lambda: self.read(sensor="rail", warmer=0.4),
            "wrong reading": lambda: self.read(warmer=38.0),
            "coat": lambda: self.coat(1),
            "other coat": lambda: self.coat(2),
            "undo": lambda: self.work.undo_last(2),
            "hang": lambda: self.work.hang(1, "rack"),
            "plan a move": lambda: self.work.hang(
                2, "booth", at=self.clock.now() + timedelta(hours=5)
            ),
            "correction": self.correct,
            "stale sooner": lambda: self.set_staleness(120.0),
            "stale later": lambda: self.set_staleness(1200.0),
            "outlook": self.desk.refresh_outlooks,
        }
        try:
            deeds[what]()
        except StoreError:  # nothing to be undone, or a move that is planned already
            self.clock.advance(seconds=1)

    def fresh(self) -> Desk:
        """A desk that has nothing kept but the last answers and the outlooks."""
        made = Desk(Database(self.url), self.clock, self.catalogue, self.desk.facts)
        made.outlooks = self.desk.outlooks
        made._answers = dict(self.desk._answers)
        return made


DEEDS = (
    "seconds", "minutes", "hours", "reading", "same reading", "late reading", "other sensor",
    "wrong reading", "coat", "other coat", "undo", "hang", "plan a move", "correction",
    "stale sooner", "stale later", "outlook",
)  # fmt: skip


def told(desk: Desk) -> dict[str, Any]:
    """Everything that the first page asks for."""
    found: dict[str, Any] = {"places": desk.places(), "cards": desk.cards()}
    for place in ("booth", "rack"):
        found[f"check {place}"] = desk.spray_check(place, LACQUER)
    found["another coat"] = desk.spray_check("booth", LACQUER, wet_um=80.0, retarder_pct=5.0)
    for piece in PIECES:
        found[f"check of {piece}"] = desk.spray_check("booth", LACQUER, instrument_id=piece)
    return found


def same_as_anew(bench: Bench) -> dict[str, Any]:
    """Ask both desks; what they say is the same."""
    fresh = bench.fresh()
    try:
        anew, kept = told(fresh), told(bench.desk)
    finally:
        fresh.db.dispose()
    for name, answer in anew.items():
        assert kept[name] == answer, name
    return kept


@pytest.fixture(scope="module")
def four_days(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four days of two places, and two pieces with a coat or two."""
    folder = tmp_path_factory.mktemp("four-days")
    databases.fresh(folder)
    bench = Bench(folder)
    now = bench.clock.now()
    rows = []
    for step in range(DAYS * 144, -1, -1):
        at = now - timedelta(minutes=10 * step)
        hour = at.timestamp() / 3600.0
        air = 17.0 + 2.0 * np.cos(2 * np.pi * (hour - 15.0) / 24.0) + np.sin(hour / 17.0)
        rh = 52.0 + 4.0 * np.sin(hour / 29.0)
        rows += [
            NewReading(place, "wall", at, at, round(float(air + off), 2), round(float(rh), 2))
            for place, off in (("booth", 0.0), ("rack", 2.0))
        ]
    with bench.db.write() as session:
        record_batch(session, rows)
    settle_all(bench.db)
    for piece, back in zip(PIECES, (20.0, 6.0), strict=True):
        begun = now - timedelta(hours=back)
        bench.work.add_instrument(
            shop_number=str(40 + piece), kind="lute", schedule_id="lacquer-clear",
            place_id="booth", at=begun,
        )  # fmt: skip
        bench.work.record_coat(piece, material_id=LACQUER, at=begun + timedelta(hours=1))
        bench.work.finish_step(piece, "seal", at=begun + timedelta(hours=2))
    bench.db.dispose()
    return folder


@pytest.fixture
def bench(four_days: Path, tmp_path: Path) -> Iterator[Bench]:
    databases.copied(four_days, tmp_path)
    made = Bench(tmp_path)
    yield made
    made.db.dispose()


@settings(max_examples=8, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(deeds=st.lists(st.sampled_from(DEEDS), min_size=4, max_size=10))
def test_what_is_kept_is_what_is_reckoned_anew(four_days: Path, deeds: list[str]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        databases.copied(four_days, Path(folder))
        bench = Bench(Path(folder))
        bench.desk.refresh_outlooks()
        try:
            same_as_anew(bench)
            for deed in deeds:
                bench.do(deed)
                same_as_anew(bench)
                bench.clock.advance(seconds=11)
                same_as_anew(bench)  # nothing new: all that can be kept is kept now
        finally:
            bench.db.dispose()


def test_a_clock_runs_on_between_two_readings(bench: Bench) -> None:
    bench.desk.refresh_outlooks()
    bench.clock.advance(minutes=6)  # the last reading's five minutes are over: the newest outlook
    before = same_as_anew(bench)["cards"][0].marks
    bench.clock.advance(minutes=20)
    after = same_as_anew(bench)["cards"][0].marks
    assert [m.ready_at for m in after] == [m.ready_at for m in before]
    slow = next(i for i, mark in enumerate(before) if mark.clock < 0.9)
    assert after[slow].clock > before[slow].clock


def test_what_grew_old_is_no_answer_though_nothing_else_has_changed(bench: Bench) -> None:
    bench.read()
    fresh = told(bench.desk)
    assert fresh["check booth"].answer != "unknown"
    bench.clock.advance(seconds=bench.desk.facts.stale_after_s + 1)
    for name, answer in told(bench.desk).items():
        if "check" in name:
            assert answer.answer == "unknown", name
            assert answer.reasons[0].what == "reading_age"
    bench.set_staleness(3600.0)
    assert told(bench.desk)["check booth"].answer == fresh["check booth"].answer


def test_several_who_ask_while_readings_come_in_are_told_what_holds(bench: Bench) -> None:
    bench.desk.refresh_outlooks()
    begin, wrong = Barrier(5), []

    def ask() -> None:
        begin.wait(30)
        for _ in range(6):
            try:
                with bench.db.at_once():
                    one, other = told(bench.desk), told(bench.desk)
                # In one look nothing changes, whoever writes meanwhile.
                assert one["places"] == other["places"]
                assert one["cards"] == other["cards"]
            except Exception as error:  # noqa: BLE001 -- told below, in the test's own thread
                wrong.append(error)

    threads = [Thread(target=ask) for _ in range(4)]
    for thread in threads:
        thread.start()
    begin.wait(30)
    for n in range(6):
        bench.read(minutes=-0.01 * n, warmer=0.1 * n)
    for thread in threads:
        thread.join(120)
    assert not wrong
    same_as_anew(bench)
