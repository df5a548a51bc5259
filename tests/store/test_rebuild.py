"""Everything derived comes out the same when it is reckoned anew, to the digit."""

from __future__ import annotations

import json
import os
import random
import subprocess
import sys
import threading
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import databases
import numpy as np
import pytest
from equipment import eventually
from running import START as SHOP_START
from running import Service
from sqlmodel import col, select
from typer.testing import CliRunner

from service.cli import cli
from service.intake.settler import Settler
from service.shop.quality import Flag
from service.store import corrections
from service.store.db import Database
from service.store.readings import NewReading, record_batch
from service.store.rebuilding import rebuild
from service.store.settling import settle_all
from service.store.tables import Correction, Reading, RollUp, SaltCheck, Sensor, Unsettled

START = datetime(2026, 3, 2, tzinfo=UTC)
HOURS = 60


def course(place: str, sensor: str, seed: int) -> list[NewReading]:
    """Sixty hours at three minutes with some spikes, some hours of delay, a stuck afternoon."""
    rng = np.random.default_rng(seed)
    seconds = np.arange(0, HOURS * 3600, 180)
    air = 18 + 3 * np.sin(seconds / 13_750) + rng.normal(0, 0.03, seconds.size)
    rh = 55 - 8 * np.sin(seconds / 13_750) + rng.normal(0, 0.15, seconds.size)
    air[rng.choice(seconds.size, 6, replace=False)] += 15.0
    air[500:640], rh[500:640] = air[500], rh[500]
    return [
        NewReading(place, sensor, at, at + timedelta(seconds=1), round(a, 2), round(r, 1))
        for s, a, r in zip(seconds.tolist(), air.tolist(), rh.tolist(), strict=True)
        if (at := START + timedelta(seconds=s))
    ]


@pytest.fixture
def eventful(database):
    """Two places; readings late, repeated and out of order; corrections made and undone; a jar."""
    rows = course("booth", "wall", 1) + course("booth", "bench", 2) + course("store", "shelf", 3)
    rows.sort(key=lambda r: r.at)
    rnd = random.Random(7)
    late = [r for r in rows if r.at.hour in {3, 4, 15}]
    sent = [r for r in rows if r not in late] + late + rnd.choices(rows, k=300)
    tail = sent[-500:]
    rnd.shuffle(tail)
    sent = sent[:-500] + tail
    for n in range(0, len(sent), 400):
        with database.write() as session:
            record_batch(session, sent[n : n + 400])
        if n % 1200 == 0:
            settle_all(database)
    with database.write() as session:
        wall = session.exec(select(Sensor).where(Sensor.name == "wall")).one()
        kept = [
            corrections.keep(
                session,
                Correction(
                    sensor_id=wall.id, quantity=quantity, from_at=START + timedelta(hours=hours),
                    slope=1.01, offset=offset, method="typed in", made_at=START,
                ),
            )
            for quantity, hours, offset in (
                ("air_c", 10, 0.4), ("rh_pct", 21, 3.0), ("air_c", 30, -2.5),
            )
        ]  # fmt: skip
        begun = START + timedelta(hours=40)
        session.add(
            SaltCheck(sensor_id=wall.id, begun_at=begun, ended_at=begun + timedelta(hours=5))
        )
    settle_all(database)
    with database.write() as session:
        corrections.undo(session, session.get_one(Correction, kept[2].id), START)
        corrections.keep(
            session,
            Correction(
                sensor_id=wall.id, quantity="air_c", from_at=begun, method="typed in",
                made_at=START, offset=0.1,
            ),
        )  # fmt: skip
    settle_all(database)
    return database


def derived(database):
    """Every flag and every roll-up, as they lie in the tables."""
    with database.read() as session:
        connection = session.connection()
        return [
            [tuple(row) for row in connection.exec_driver_sql(query)]
            for query in (
                "SELECT * FROM reading ORDER BY sensor_id, at",
                "SELECT * FROM rollup ORDER BY sensor_id, step_s, at",
            )
        ]


def test_it_comes_out_as_it_was_after_all_that_can_happen(eventful):
    before = derived(eventful)
    with eventful.read() as session:
        seen = {bit for r in session.exec(select(Reading)) for bit in Flag if (r.flags or 0) & bit}
    assert {Flag.SPIKE, Flag.STUCK} <= seen
    told = []
    found = rebuild(eventful, progress=lambda done, total: told.append((done, total)))
    assert derived(eventful) == before
    assert found.same
    assert found.hours == 2 * HOURS
    assert told[-1] == (2 * HOURS, 2 * HOURS)
    assert [done for done, _ in told] == sorted(done for done, _ in told)


def test_a_comparison_finds_the_same_and_changes_nothing(eventful):
    before = derived(eventful)
    assert rebuild(eventful, check=True).same
    assert derived(eventful) == before


def spoil(database):
    """Change 5 flags, some of them at the end of a day; change, drop and add 4 roll-ups."""
    with database.write() as session:
        rows = session.exec(
            select(Reading)
            .where(Reading.at >= START + timedelta(hours=23, minutes=57))
            .order_by(col(Reading.at), col(Reading.sensor_id))
            .limit(5)
        ).all()
        for row in rows:
            row.flags = (row.flags or 0) ^ Flag.BATTERY
        steps = {
            step: session.exec(select(RollUp).where(RollUp.step_s == step).limit(3)).all()
            for step in (300, 3600)
        }
        steps[300][0].air_max += 1
        session.delete(steps[300][1])
        steps[3600][0].rh_sum += 10
        # Of readings that never were.
        values = steps[300][2].model_dump() | {"at": START - timedelta(days=30)}
        session.add(RollUp(**values))


def test_what_was_spoilt_is_counted_the_same_both_ways_and_mended(eventful):
    before = derived(eventful)
    spoil(eventful)
    spoilt = derived(eventful)
    assert spoilt != before
    checked = rebuild(eventful, check=True)
    assert derived(eventful) == spoilt
    mended = rebuild(eventful)
    assert derived(eventful) == before
    assert checked.flags == mended.flags == 5
    assert checked.rollups == mended.rollups == 4
    first = next(d for d in mended.examples if d.what == "flags")
    assert (int(first.was) ^ int(first.now)) == Flag.BATTERY
    assert {d.at for d in mended.examples} == {d.at for d in checked.examples}
    assert rebuild(eventful).same


def test_what_was_not_settled_yet_is_no_difference(eventful):
    with eventful.write() as session:
        record_batch(
            session,
            [
                NewReading("booth", "wall", at, at, 18.0, 55.0)
                for n in range(40)
                if (at := START + timedelta(hours=22, minutes=7 * n, seconds=11))
            ],
        )
    assert rebuild(eventful, check=True).same
    with eventful.read() as session:
        assert len(session.exec(select(Unsettled)).all()) == 5
    assert rebuild(eventful).same
    with eventful.read() as session:
        assert session.exec(select(Unsettled)).all() == []
    assert rebuild(eventful, check=True).same


def test_beside_readings_that_keep_coming(eventful):
    """Intake and settling go on in threads of their own, as in the service."""
    settled: list[str] = []
    settler = Settler.of_one(eventful, on_settled=settled.append)
    settler.start()
    stop, sent = threading.Event(), []

    def keep_coming():
        n = 0
        while not stop.is_set():
            at = START + timedelta(hours=HOURS, seconds=30 * n)
            with eventful.write() as session:
                record_batch(session, [NewReading("booth", "wall", at, at, 18 + n % 9 / 50, 55.0)])
            settler.wake()
            sent.append(at)
            n += 1
            time.sleep(0.05)

    thread = threading.Thread(target=keep_coming)
    thread.start()
    rebuilt = [rebuild(eventful)]
    while len(sent) <= 5:  # a quick machine is through before readings have come
        rebuilt.append(rebuild(eventful))
    stop.set()
    thread.join()
    assert all(found.same for found in rebuilt)
    settle_all(eventful)
    settler.stop()
    with eventful.read() as session:
        there = session.exec(
            select(Reading).where(Reading.at >= START + timedelta(hours=HOURS)).order_by(Reading.at)
        ).all()
    assert [row.at for row in there] == sent
    assert rebuild(eventful, check=True).same


@pytest.mark.real
@pytest.mark.slow
def test_the_command_beside_the_running_service(mosquitto, tmp_path):
    data = tmp_path / "data"
    data.mkdir()
    database = Database(databases.address(data))
    database.upgrade()
    shift = datetime.fromisoformat(SHOP_START) - timedelta(hours=HOURS + 1) - START
    with database.write() as session:
        record_batch(
            session,
            [
                NewReading("booth", "wall", r.at + shift, r.at + shift, r.air_c, r.rh_pct)
                for r in course("booth", "wall", 1)
            ],
        )
    settle_all(database)
    service = Service(data, mosquitto.url)
    stop, sent = threading.Event(), 0

    def publish():
        nonlocal sent
        begin = service.now()
        while not stop.is_set():
            payloads = [
                json.dumps({
                    "at": (begin - timedelta(minutes=50) + timedelta(seconds=sent + n)).isoformat(),
                    "air_c": round(18 + (sent + n) % 11 / 50, 2), "rh_pct": 55,
                })
                for n in range(10)
            ]  # fmt: skip
            mosquitto.publish("boothglass/booth/wall", *payloads)
            sent += 10
            time.sleep(0.1)

    thread = threading.Thread(target=publish)
    command = [str(Path(sys.executable).with_name("boothglass")), "rebuild"]
    environment = os.environ | databases.environment(data)

    def run(words):
        return subprocess.run(
            words, check=False, env=environment, capture_output=True, text=True, timeout=300
        )

    try:
        service.start()
        thread.start()
        told = [run(command), run(command)]
        stop.set()
        thread.join()
        eventually(lambda: service.get("health")["mqtt"]["recorded"] == sent, 90, "all is kept")
    finally:
        stop.set()
        service.stop()
    for one in told:
        assert one.returncode == 0, one.stderr
        assert "are what they were" in one.stdout
    checked = run([*command, "--check"])
    assert checked.returncode == 0, checked.stdout
    with database.read() as session:
        assert len(session.exec(select(Reading)).all()) == sent + HOURS * 20
    database.dispose()


class TestCommand:
    @pytest.fixture(autouse=True)
    def there(self, data_folder, monkeypatch):
        databases.set_in(monkeypatch, data_folder)

    def run(self, *arguments):
        return CliRunner().invoke(cli, ["rebuild", *arguments])

    def test_it_says_that_all_is_well(self, eventful):
        for arguments in ([], ["--check"]):
            told = self.run(*arguments)
            assert told.exit_code == 0
            assert "120 hours of readings" in told.output
            assert "flags and roll-ups are what they were" in told.output

    def test_a_difference_is_shown_and_a_comparison_ends_with_1(self, eventful):
        spoil(eventful)
        told = self.run("--check")
        assert told.exit_code == 1
        assert "5 flags and 4 roll-ups are not what they should be" in told.output
        assert "roll-up of 3600 s" in told.output
        told = self.run()
        assert told.exit_code == 0
        assert "5 flags and 4 roll-ups were not what they should have been" in told.output
        assert self.run("--check").exit_code == 0

    def test_a_file_of_the_shop_that_cannot_be_read_is_named(self, eventful, data_folder):
        (data_folder / "materials").mkdir()
        (data_folder / "materials" / "mine.yaml").write_text("id: a\n  - b: [\n")
        told = self.run()
        assert told.exit_code == 2
        assert "mine.yaml: not YAML" in told.stderr

    def test_without_a_record_it_says_so(self, tmp_path, monkeypatch):
        monkeypatch.setenv("BOOTHGLASS_DATA", str(tmp_path / "none"))
        monkeypatch.delenv("BOOTHGLASS_DATABASE_URL", raising=False)
        told = CliRunner().invoke(cli, ["rebuild"])
        assert told.exit_code == 2
        assert "nothing is kept in" in told.stderr
