"""An import lands once, loses nothing, says what it refused, and needs little memory."""

from __future__ import annotations

import tracemalloc
from datetime import UTC, datetime, timedelta

import databases
import pytest
from sqlmodel import select

from service.importing.plan import make_plan
from service.importing.run import MOST_REJECTS, bring_in
from service.store.db import Database
from service.store.export_files import written
from service.store.exporting import export
from service.store.readings import NewReading, record_batch
from service.store.settling import settle_all
from service.store.tables import Reading, Reject, RollUp, Sensor, Unsettled

NOW = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
START = datetime(2025, 12, 1, tzinfo=UTC)


def a_file(tmp_path, rows=600, wrong=()):
    lines = ["time,Temp (°C),RH (%)"]
    for n in range(rows):
        air = f"{18 + n % 60 / 20:.2f}" if n not in wrong else "warm"
        lines.append(f"{START + timedelta(minutes=5 * n):%Y-%m-%d %H:%M:%S},{air},{50 + n % 9}")
    path = tmp_path / "logger.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def bring(database, path, now=NOW, **how):
    return bring_in(database, make_plan(path, zone="UTC"), "store", "shelf", now=now, **how)


def readings_of(database):
    with database.read() as session:
        return session.exec(select(Reading).order_by(Reading.sensor_id, Reading.at)).all()


def test_every_row_is_there_assessed_and_rolled_up(database, tmp_path):
    outcome = bring(database, a_file(tmp_path))
    assert (outcome.rows, outcome.new, outcome.refused) == (600, 600, 0)
    kept = readings_of(database)
    assert [row.at for row in kept] == [START + timedelta(minutes=5 * n) for n in range(600)]
    assert [row.raw_air_c for row in kept[:3]] == [18.0, 18.05, 18.1]
    assert {row.received_at for row in kept} == {NOW}
    assert all(row.flags is not None for row in kept)
    with database.read() as session:
        days = session.exec(select(RollUp).where(RollUp.step_s == 86_400)).all()
        assert session.exec(select(Unsettled)).all() == []
    assert sum(day.count + day.left_out for day in days) == 600


def test_a_record_that_was_carried_in_has_no_wrong_clock(database, tmp_path):
    bring(database, a_file(tmp_path))
    assert {row.flags for row in readings_of(database)} == {0}


def test_again_it_lands_once(database, tmp_path):
    path = a_file(tmp_path)
    bring(database, path)
    before = readings_of(database)
    outcome = bring(database, path)
    assert (outcome.new, outcome.duplicates) == (0, 600)
    assert readings_of(database) == before


def test_an_import_that_broke_off_goes_on(database, tmp_path, monkeypatch):
    monkeypatch.setattr("service.importing.run.AT_ONCE", 100)

    def stop(line):
        if line > 300:
            raise KeyboardInterrupt

    path = a_file(tmp_path)
    with pytest.raises(KeyboardInterrupt):
        bring(database, path, progress=stop)
    outcome = bring(database, path)
    assert (outcome.new, outcome.duplicates) == (300, 300)


def test_what_is_refused_is_counted_and_kept_with_its_line_and_reason(database, tmp_path):
    path = a_file(tmp_path, wrong={3, 77})
    late = NOW + timedelta(days=1)
    path.write_text(path.read_text() + f"{late:%Y-%m-%d %H:%M:%S},20,50\n2026-01-01 10:00:00,20,\n")
    outcome = bring(database, path)
    assert (outcome.rows, outcome.new, outcome.refused) == (602, 598, 4)
    assert sum(outcome.reasons.values()) == 4
    with database.read() as session:
        kept = {r.topic: r for r in session.exec(select(Reject))}
    assert kept.keys() == {f"import logger.csv, line {n}" for n in (5, 79, 602, 603)}
    assert kept["import logger.csv, line 5"].field == "Temp (°C)"
    assert kept["import logger.csv, line 5"].payload == b"2025-12-01 00:15:00,warm,53"
    assert "lies in the future" in kept["import logger.csv, line 602"].reason
    assert kept["import logger.csv, line 603"].reason == "is empty"


def test_a_file_full_of_trouble_does_not_push_out_other_rejects(database, tmp_path):
    outcome = bring(database, a_file(tmp_path, rows=MOST_REJECTS + 500, wrong=range(5000)))
    assert outcome.refused == MOST_REJECTS + 500
    with database.read() as session:
        assert len(session.exec(select(Reject)).all()) == MOST_REJECTS


def test_a_dry_run_counts_the_same_and_keeps_nothing(database, tmp_path):
    path = a_file(tmp_path, wrong={3, 77})
    dry = bring(database, path, dry_run=True)
    assert readings_of(database) == []
    with database.read() as session:
        assert session.exec(select(Sensor)).all() == session.exec(select(Reject)).all() == []
    real = bring(database, path)
    assert (dry.rows, dry.refused, dry.reasons) == (real.rows, real.refused, real.reasons)
    assert (dry.first_at, dry.last_at) == (real.first_at, real.last_at)


def test_an_export_comes_in_again_as_what_is_there(database, tmp_path):
    batch = [
        NewReading(
            "store", sensor, at, at + timedelta(milliseconds=90 + n), 18 + n % 40 / 20, 50.0,
            *((19.25, 101_325.5, 77) if sensor == "shelf" else ()),
        )
        for n in range(300)
        for sensor in ("shelf", "door")
        if (at := START + timedelta(seconds=30 * n, milliseconds=n))
    ]  # fmt: skip
    with database.write() as session:
        record_batch(session, batch)
    settle_all(database)
    path = tmp_path / "export.csv"
    path.write_bytes(b"".join(written(export(database, "store"), "csv")))
    plan = make_plan(path)
    again = bring_in(database, plan, "store", None, now=NOW)
    assert (again.new, again.duplicates, again.refused) == (0, 600, 0)

    # And into a new shop it goes as it was, flags and all.
    folder = tmp_path / "other"
    folder.mkdir()
    other = Database(databases.fresh(folder))
    assert bring_in(other, plan, "store", None, now=NOW).new == 600

    def plain(found):
        with found.read() as session:
            names = {s.id: s.name for s in session.exec(select(Sensor))}
        return sorted(
            (names[r.sensor_id], r.at, r.delay_ms, r.raw_air_c, r.raw_rh_pct, r.surface_c,
             r.pressure_pa, r.battery_pct, r.flags)
            for r in readings_of(found)
        )  # fmt: skip

    assert plain(other) == plain(database)
    other.dispose()


@pytest.mark.slow
def test_a_long_file_never_lies_in_memory(database, tmp_path):
    def peak_of(rows):
        path = a_file(tmp_path, rows)
        tracemalloc.start()
        bring(database, path, NOW + timedelta(days=365), dry_run=True)
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return peak

    small = peak_of(5_000)
    # Five times as long, and the same batches; a fifth more for what Python keeps between them.
    assert peak_of(25_000) < 1.2 * small
