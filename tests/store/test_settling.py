"""What is derived from readings comes out the same in whatever order they came."""

from __future__ import annotations

import random
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

import databases
import numpy as np
import pytest
from sqlmodel import select

from service.shop.quality import Flag
from service.store import corrections, settling
from service.store.db import Database
from service.store.history import history
from service.store.readings import NewReading, latest, record_batch, series
from service.store.rebuilding import rebuild
from service.store.settling import settle_all, unsettled_hours
from service.store.tables import Correction, Reading, RollUp, Sensor, Unsettled

START = datetime(2026, 3, 2, 0, 0, tzinfo=UTC)
HOURS = 30


def a_course(sensor: str, seed: int, *, shift_c: float = 0.0, spikes: int = 0) -> list[NewReading]:
    """Thirty hours of one sensor at two minutes: a day's course, a sensor's noise, some spikes."""
    rnd = np.random.default_rng(seed)
    seconds = np.arange(0, HOURS * 3600, 120)
    air = 18 + shift_c + 3 * np.sin(seconds / 13_750) + rnd.normal(0, 0.03, seconds.size)
    rh = 55 - 8 * np.sin(seconds / 13_750) + rnd.normal(0, 0.15, seconds.size)
    for i in rnd.choice(seconds.size, spikes, replace=False):
        air[i] += 15.0
    return [
        NewReading("booth", sensor, at, at + timedelta(seconds=1), round(a, 2), round(r, 1))
        for s, a, r in zip(seconds.tolist(), air.tolist(), rh.tolist(), strict=True)
        if (at := START + timedelta(seconds=s))
    ]


@pytest.fixture(scope="module")
def day() -> list[NewReading]:
    """Two sensors of one place, with a few spikes."""
    return a_course("wall", 1, spikes=4) + a_course("bench", 2, shift_c=0.3)


def record(database: Database, readings: Sequence[NewReading]) -> None:
    with database.write() as session:
        record_batch(session, readings)
    settle_all(database)


def derived(database: Database) -> tuple[object, object]:
    """Flags and roll-ups by the sensor's name, which does not depend on who came first."""
    with database.read() as session:
        names = {s.id: s.name for s in session.exec(select(Sensor))}
        flags = {(names[r.sensor_id], r.at): r.flags for r in session.exec(select(Reading))}
        rolled = {
            (names[r.sensor_id], r.step_s, r.at): r.model_dump(exclude={"sensor_id"})
            for r in session.exec(select(RollUp))
        }
    return flags, rolled


def test_any_order_and_repetition_end_in_the_same_flags_and_roll_ups(database, day, tmp_path):
    in_order = sorted(day, key=lambda r: r.at)
    record(database, in_order)
    wanted = derived(database)
    flags, rolled = wanted
    assert sum(bool(f & Flag.SPIKE) for f in flags.values()) >= 3
    assert {step for _, step, _ in rolled} == {300, 3600, 21_600, 86_400}

    rnd = random.Random(5)
    other = Database(databases.address(tmp_path))
    other.upgrade()
    # As after a night without Wi-Fi: mostly in order, some hours late, some twice.
    late = [r for r in in_order if r.at.hour in {3, 4, 17}]
    sent = [r for r in in_order if r not in late] + late + rnd.choices(in_order, k=200)
    shuffled = sent[-400:]
    rnd.shuffle(shuffled)
    sent = sent[:-400] + shuffled
    while sent:
        batch, sent = sent[:173], sent[173:]
        record(other, batch)
    assert derived(other) == wanted
    other.dispose()


def test_a_rebuild_finds_what_was_there(database, day):
    record(database, day)
    wanted = derived(database)
    assert rebuild(database).hours == HOURS
    assert derived(database) == wanted


def test_a_rebuild_mends_what_was_spoilt(database, day):
    record(database, day)
    wanted = derived(database)
    with database.write() as session:
        for row in session.exec(select(RollUp).limit(50)):
            row.air_sum += 7
        for reading in session.exec(select(Reading).limit(50)):
            reading.flags = 511
    assert derived(database) != wanted
    rebuild(database)
    assert derived(database) == wanted


def test_settling_that_breaks_off_goes_on_where_it_was(database, day, monkeypatch):
    with database.write() as session:
        record_batch(session, day)
    calls = iter([None, RuntimeError("in the middle")])
    real = settling.rollups.make

    def failing(*arguments: object) -> None:
        error = next(calls)
        if error is not None:
            raise error
        real(*arguments)

    monkeypatch.setattr(settling, "HOURS_AT_ONCE", 7)
    monkeypatch.setattr(settling.rollups, "make", failing)
    with pytest.raises(RuntimeError, match="in the middle"):
        settle_all(database)
    with database.read() as session:
        assert unsettled_hours(session) == HOURS - 7
    monkeypatch.setattr(settling.rollups, "make", real)
    settle_all(database)
    found = derived(database)
    rebuild(database)
    assert derived(database) == found


def test_nothing_rests_on_a_reading_that_was_not_assessed(database):
    with database.write() as session:
        record_batch(session, [NewReading("booth", "wall", START, START, 20.0, 50.0)])
    with database.read() as session:
        assert latest(session, "booth") == []
        assert [r.hour for r in session.exec(select(Unsettled))] == [START]
    settle_all(database)
    with database.read() as session:
        assert [r.raw_air_c for r in latest(session, "booth")] == [20.0]
        assert session.exec(select(Unsettled)).all() == []


def bucket_reference(day, step_s, from_s, to_s, counts, correct):
    """Mean, min, max and count of each bucket by NumPy, from the values as they are kept."""
    seconds = np.array([(r.at - START).total_seconds() for r in day])
    air = np.array([correct(r, round(r.air_c * 10_000) / 10_000) for r in day])
    use = (seconds >= from_s) & (seconds <= to_s) & np.array([counts(r) for r in day])
    found = {}
    # Buckets begin at whole steps since 1970; START is midnight, so a step of a day or less fits.
    for bucket in np.unique(seconds[use] // step_s):
        here = air[use & (seconds // step_s == bucket)]
        found[START + timedelta(seconds=float(bucket * step_s))] = (
            here.size, here.min(), here.mean(), here.max(),
        )  # fmt: skip
    return found


@pytest.mark.parametrize("step", ["90s", "5m", "15m", "1h", "6h", "1d"])
@pytest.mark.parametrize(
    ("from_s", "to_s"), [(0, HOURS * 3600), (1234, 70_000.5), (80_000, 86_399)]
)
@pytest.mark.parametrize("corrected", [False, True])
def test_buckets_are_those_of_the_readings(database, day, step, from_s, to_s, corrected):
    record(database, day)
    # A correction that begins in the middle of every bucket there is.
    begins = START + timedelta(hours=15, minutes=2, seconds=7)
    if corrected:
        with database.write() as session:
            (wall,) = session.exec(select(Sensor).where(Sensor.name == "wall"))
            corrections.keep(
                session,
                Correction(
                    sensor_id=wall.id, quantity="air_c", from_at=begins, slope=1.02, offset=-0.6,
                    method="typed in", made_at=START,
                ),
            )  # fmt: skip
        # Once before settling, from the readings, and once after, from the roll-ups.
        unsettled = ask(database, step, from_s, to_s)
        settle_all(database)
        for row, other in zip(ask(database, step, from_s, to_s), unsettled, strict=True):
            assert row["air_c"] == pytest.approx(other["air_c"], abs=1e-9)

    def correct(reading, value):
        late = corrected and reading.sensor == "wall" and reading.at >= begins
        return 1.02 * value - 0.6 if late else value

    with database.read() as session:
        names = {s.id: s.name for s in session.exec(select(Sensor))}
        spikes = {
            (names[r.sensor_id], r.at)
            for r in session.exec(select(Reading))
            if (r.flags or 0) & Flag.SPIKE
        }
    expected = bucket_reference(
        day, {"90s": 90, "5m": 300, "15m": 900, "1h": 3600, "6h": 21_600, "1d": 86_400}[step],
        from_s, to_s, lambda r: (r.sensor, r.at) not in spikes, correct,
    )  # fmt: skip
    found = {row["at"]: row for row in ask(database, step, from_s, to_s)}
    assert found.keys() == expected.keys()
    for at, (count, low, mean, high) in expected.items():
        row = found[at]
        assert row["count"] == count
        # Whole ten-thousandths are summed exactly; what is left is the rounding of a double.
        assert row["air_c"]["min"] == pytest.approx(low, abs=1e-9)
        assert row["air_c"]["mean"] == pytest.approx(mean, abs=1e-9)
        assert row["air_c"]["max"] == pytest.approx(high, abs=1e-9)


def ask(database, step, from_s, to_s):
    with database.read() as session:
        begin, end = START + timedelta(seconds=from_s), START + timedelta(seconds=to_s)
        return history(session, "booth", begin, end, resolution=step).rows


def test_an_undone_correction_leaves_everything_as_it_was(database, day):
    record(database, day)
    wanted, buckets = derived(database), ask(database, "15m", 0, 9e4)
    with database.write() as session:
        kept = corrections.keep(
            session,
            Correction(
                sensor_id=1, quantity="rh_pct", from_at=START + timedelta(hours=2), slope=0.97,
                offset=3.1, sd=0.8, method="two jars", made_at=START,
            ),
        )  # fmt: skip
    settle_all(database)
    assert ask(database, "15m", 0, 9e4) != buckets
    with database.read() as session:
        before = session.exec(select(Reading).order_by(Reading.at)).all()
    assert [r.raw_rh_pct for r in before if r.sensor_id == 1] == [
        r.rh_pct for r in sorted(day, key=lambda r: r.at) if r.sensor == "wall"
    ]
    with database.write() as session:
        corrections.undo(session, session.get_one(Correction, kept.id), START)
    settle_all(database)
    assert ask(database, "15m", 0, 9e4) == buckets
    assert derived(database) == wanted


def test_a_spike_is_left_out_of_the_course_of_the_air(database, day):
    record(database, day)
    with database.read() as session:
        course = series(session, "booth", START, START + timedelta(hours=HOURS), None)
    assert course.air_c.max() < 24.0
