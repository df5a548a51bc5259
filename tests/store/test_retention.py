"""Old readings go in bites; their roll-ups, and the air of every coat, stay as they were."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import databases
import numpy as np
import pytest
from equipment import SetClock, eventually
from running import Service
from sqlalchemy.exc import OperationalError
from sqlmodel import col, func, select

from service.store import horizon, retention
from service.store.db import Database
from service.store.errors import BadInput
from service.store.history import history
from service.store.marks import mark
from service.store.readings import NewReading, record_batch
from service.store.rebuilding import rebuild
from service.store.retention import AFTER_COAT, BEFORE_COAT, Retention, evidence_of, thin
from service.store.settling import settle_all
from service.store.tables import (
    Coat,
    Correction,
    Hanging,
    Instrument,
    Place,
    Reading,
    RollUp,
    Sensor,
    Unsettled,
)
from service.store.types import to_millis

START = datetime(2026, 1, 1, tzinfo=UTC)
DAYS, EVERY_S = 36, 600
PER_DAY, PER_HOUR = 86_400 // EVERY_S, 3600 // EVERY_S
GONE_DAYS = DAYS - 30
END = START + timedelta(days=DAYS)
HOUR, DAY = timedelta(hours=1), timedelta(days=1)


def course(sensor: str, seed: int, place: str = "booth") -> list[NewReading]:
    rng = np.random.default_rng(seed)
    seconds = np.arange(7, DAYS * 86_400, EVERY_S)
    air = 18 + 3 * np.cos(2 * np.pi * seconds / 86_400) + rng.normal(0, 0.03, seconds.size)
    rh = 55 - 8 * np.cos(2 * np.pi * seconds / 86_400) + rng.normal(0, 0.1, seconds.size)
    air[rng.choice(seconds.size, 20, replace=False)] += 14.0  # spikes
    return [
        NewReading(place, sensor, at, at + timedelta(seconds=1), round(a, 2), round(r, 1))
        for s, a, r in zip(seconds.tolist(), air.tolist(), rh.tolist(), strict=True)
        if (at := START + timedelta(seconds=s))
    ]


@pytest.fixture(scope="module")
def forty_days(tmp_path_factory):
    folder = tmp_path_factory.mktemp("forty")
    made = Database(databases.fresh(folder))
    with made.write() as session:
        record_batch(session, course("wall", 1))
        record_batch(session, course("bench", 2))
    settle_all(made)
    made.dispose()  # the last connection closed empties the log into the file
    return folder


@pytest.fixture
def old(data_folder, forty_days):
    made = Database(databases.copied(forty_days, data_folder))
    yield made
    made.dispose()


def ask(database, begin, end, resolution="auto", points=600):
    with database.read() as session:
        return history(session, "booth", begin, end, resolution=resolution, points=points)


def rollups(database):
    with database.read() as session:
        return [row.model_dump() for row in session.exec(select(RollUp).order_by(
            col(RollUp.sensor_id), col(RollUp.step_s), col(RollUp.at)))]  # fmt: skip


def kept(database, until=END):
    with database.read() as session:
        return session.exec(
            select(Reading).where(Reading.at < until).order_by(Reading.sensor_id, Reading.at)
        ).all()


def thin_all(database, keep_days=30, now=END):
    return sum(thin(database, now, keep_days))


def a_coat(database, at, *, hung=(), closed=None, undone=None, place="booth"):
    with database.write() as session:
        row = Instrument(
            shop_number=str(at), kind="cittern", schedule_id="x", made_at=at, closed_at=closed
        )
        session.add(row)
        session.flush()
        for word in {where for where, _ in hung} - {"booth"}:
            session.add(Place(id=word, name=word, made_at=at))
        session.flush()
        for where, from_at in hung:
            session.add(Hanging(instrument_id=row.id, place_id=where, from_at=from_at))
        session.add(
            Coat(
                instrument_id=row.id, step_key="clear", material_id="m", at=at, wet_um=100.0,
                place_id=place, made_at=at, undone_at=undone,
            )
        )  # fmt: skip


def test_readings_past_the_horizon_go_and_roll_ups_stay(old):
    rolled, before = rollups(old), kept(old)
    gone = thin_all(old)
    # The newest reading tells the time; the horizon is a whole hour.
    limit = before[-1].at.replace(minute=0, second=0, microsecond=0) - timedelta(days=30)
    left = kept(old)
    assert left == [row for row in before if row.at >= limit]
    assert gone == len(before) - len(left) > 0
    assert rollups(old) == rolled
    with old.read() as session:
        assert horizon.horizon(session) == to_millis(limit)


def test_a_second_run_finds_nothing_and_a_later_one_goes_on(old):
    thin_all(old)
    assert thin_all(old) == 0
    assert thin_all(old, now=END + 5 * DAY) == 0  # nothing newer came: time has not gone on
    with old.write() as session:
        at = END + 2 * DAY
        record_batch(session, [NewReading("booth", "wall", at, at, 18.0, 55.0)])
    settle_all(old)
    assert thin_all(old, now=END + 2 * DAY) == 2 * (2 * PER_DAY + PER_HOUR)


def test_a_clock_that_leapt_ahead_costs_nothing(old):
    before = kept(old)
    assert thin_all(old, now=END + 3650 * DAY, keep_days=DAYS) == 0
    assert kept(old) == before


def test_a_month_is_always_kept(old):
    thin_all(old, keep_days=1)
    assert kept(old)[0].at <= kept(old)[-1].at - timedelta(days=30)


@pytest.mark.parametrize("resolution", ["5m", "15m", "1h", "6h", "1d", "7d"])
def test_history_is_the_same_across_the_horizon(old, resolution):
    spans = [(START, END), (START + 3 * DAY + HOUR, END - 28 * DAY), (START, START + 2 * DAY)]
    # Spans that begin and end between five-minute roll-ups are told below.
    before = [ask(old, a, b - timedelta(milliseconds=1), resolution) for a, b in spans]
    assert all(found.rows for found in before)
    thin_all(old)
    after = [ask(old, a, b - timedelta(milliseconds=1), resolution) for a, b in spans]
    # To the rounding of a double: whole parts are summed in another order of pieces.
    for one, other in zip(before, after, strict=True):
        assert close(one.rows) == close(other.rows)


def close(rows):
    return [
        {
            key: {k: round(v, 9) for k, v in value.items()} if isinstance(value, dict)
            else round(value, 9) if isinstance(value, float) else value
            for key, value in row.items()
        }
        for row in rows
    ]  # fmt: skip


def test_a_ragged_edge_past_the_horizon_takes_what_begins_in_it(old):
    thin_all(old)
    begin = START + DAY + timedelta(minutes=2)
    rows = ask(old, begin, begin + timedelta(minutes=60), "5m").rows
    assert rows[0]["at"] == START + DAY + timedelta(minutes=10)
    assert rows[-1]["at"] == START + DAY + timedelta(minutes=60)
    assert [row["count"] + row["left_out"] for row in rows] == [2] * 6


def test_a_correction_that_begins_past_the_horizon_holds_from_the_next_five_minutes(old):
    begins = START + DAY + timedelta(hours=1, minutes=32, seconds=30)
    with old.read() as session:
        wall = session.exec(select(Sensor.id).where(Sensor.name == "wall")).one()
    end = START + DAY + timedelta(hours=2, minutes=59)
    before = ask(old, START + DAY, end, "5m").rows
    with old.write() as session:
        for sensor_id in (wall, 3 - wall):
            session.add(
                Correction(
                    sensor_id=sensor_id, quantity="air_c", from_at=begins, offset=1.0,
                    method="typed in", made_at=END,
                )
            )  # fmt: skip
    thin_all(old)
    after = ask(old, START + DAY, end, "5m").rows
    for one, other in zip(before, after, strict=True):
        moved = 1.0 if one["at"] >= begins else 0.0
        assert other["air_c"]["mean"] == pytest.approx(one["air_c"]["mean"] + moved, abs=1e-9)


@pytest.mark.parametrize("resolution", ["raw", "90s", "1m", "7m"])
def test_what_is_finer_than_what_is_left_is_refused_and_says_from_when_on(old, resolution):
    thin_all(old)
    limit = END - timedelta(days=30, hours=1)
    with pytest.raises(BadInput, match=f"before {limit:%Y-%m-%d %H}:00 UTC") as caught:
        ask(old, limit - 2 * HOUR, limit + HOUR, resolution)
    assert caught.value.field == "resolution"
    assert ask(old, limit, limit + HOUR, resolution).rows


def test_auto_never_gives_single_readings_where_some_are_gone(old):
    begin = END - timedelta(days=30, hours=3)
    assert ask(old, begin, begin + 4 * HOUR).resolution == "raw"
    thin_all(old)
    found = ask(old, begin, begin + 4 * HOUR)
    assert found.resolution == "5m"
    assert 18 <= len(found.rows) <= 24
    assert ask(old, begin + 3 * HOUR, begin + 4 * HOUR).resolution == "raw"
    assert ask(old, START, START + 5 * DAY).resolution == "15m"
    assert len(ask(old, START, END, points=50).rows) <= 50


class TestEvidence:
    AT = START + timedelta(days=2, hours=10, minutes=20)

    def test_the_air_of_a_coat_stays(self, old):
        before = kept(old)
        later = self.AT + timedelta(days=1)
        a_coat(old, self.AT, hung=[("booth", self.AT - DAY), ("elsewhere", later)], closed=END)
        thin_all(old)
        first = (self.AT - BEFORE_COAT).replace(minute=0)
        last = later.replace(minute=0) + HOUR
        left = kept(old, END - 31 * DAY)
        assert left == [row for row in before if first <= row.at < last]

    def test_an_instrument_under_way_keeps_its_air_from_the_last_coat_on(self, old):
        a_coat(old, self.AT, hung=[("booth", self.AT)])
        thin_all(old)
        assert kept(old)[0].at == (self.AT - BEFORE_COAT).replace(minute=0, second=7)
        with old.read() as session:
            ((_, end),) = evidence_of(session)["booth"]
        assert end > to_millis(END + 3650 * DAY)

    def test_a_coat_of_a_finished_one_keeps_sixty_days(self, old):
        a_coat(old, self.AT, hung=[("booth", self.AT)], closed=END)
        with old.read() as session:
            ((start, end),) = evidence_of(session)["booth"]
        assert start == to_millis((self.AT - BEFORE_COAT).replace(minute=0))
        assert end == to_millis((self.AT + AFTER_COAT).replace(minute=0) + HOUR)

    def test_an_undone_coat_keeps_nothing(self, old):
        a_coat(old, self.AT, hung=[("booth", self.AT)], undone=END)
        with old.read() as session:
            assert evidence_of(session) == {}

    def test_single_readings_of_what_is_kept_can_be_asked_for(self, old):
        a_coat(old, self.AT, hung=[("booth", self.AT)], closed=END)
        wanted = ask(old, self.AT - HOUR, self.AT + HOUR, "raw").rows
        thin_all(old)
        assert ask(old, self.AT - HOUR, self.AT + HOUR, "raw").rows == wanted
        assert ask(old, self.AT - HOUR, self.AT + HOUR).resolution == "raw"


class TestWhatIsLeftIsLeftAlone:
    def test_a_rebuild_keeps_roll_ups_and_flags(self, old):
        coat_at = START + timedelta(days=2)
        a_coat(old, coat_at, hung=[("booth", coat_at), ("x", coat_at + DAY)], closed=END)
        thin_all(old)
        rolled, left = rollups(old), kept(old)
        assert any(row.flags for row in left)
        rebuild(old)
        assert rollups(old) == rolled
        assert kept(old) == left

    def test_a_rebuild_mends_coarse_roll_ups_from_fine_ones(self, old):
        thin_all(old)
        rolled = rollups(old)
        with old.write() as session:
            for row in session.exec(select(RollUp).where(RollUp.step_s > 300)):
                if row.at >= START + 4 * DAY:
                    row.air_sum += 3
        assert rollups(old) != rolled
        rebuild(old)
        assert rollups(old) == rolled

    def test_a_late_reading_of_a_thinned_hour_is_refused_and_named(self, old):
        thin_all(old)
        rolled = rollups(old)
        at = START + timedelta(days=2, seconds=307)
        late = [
            NewReading("booth", "wall", at, END, 18.0, 55.0),
            NewReading("booth", "wall", END - DAY, END, 18.0, 55.0),
        ]
        with old.write() as session:
            found = record_batch(session, late)
        assert (found.new, found.duplicates, found.too_old) == (1, 0, (0,))
        settle_all(old)
        assert [r for r in rollups(old) if r["at"] < START + 4 * DAY] == [
            r for r in rolled if r["at"] < START + 4 * DAY
        ]

    def test_an_old_record_of_another_sensor_is_taken_in(self, old):
        thin_all(old)
        rolled = rollups(old)
        batch = [
            NewReading("booth", "logger", r.at, END, r.air_c, r.rh_pct) for r in course("x", 3)
        ]
        with old.write() as session:
            assert record_batch(session, batch[:500]).new == 500
            assert record_batch(session, batch[400:600]).new == 100
        settle_all(old)
        theirs = [r for r in rollups(old) if r["sensor_id"] == 3 and r["step_s"] == 86_400]
        assert sum(r["count"] + r["left_out"] for r in theirs) == 600
        assert [r for r in rollups(old) if r["sensor_id"] != 3] == rolled
        assert thin_all(old) == 600  # it is as old as the rest
        assert sum(r["step_s"] == 86_400 for r in rollups(old) if r["sensor_id"] == 3) == 5

    def test_a_new_reading_beside_a_thinned_hour_is_assessed(self, old):
        thin_all(old)
        with old.read() as session:
            limit = horizon.horizon(session)
        left = kept(old)
        at = left[0].at + timedelta(seconds=60)
        assert to_millis(at) - limit < 3_600_000
        with old.write() as session:
            record_batch(session, [NewReading("booth", "wall", at, at, 18.0, 55.0)])
        settle_all(old)
        now = {(r.sensor_id, r.at): r.flags for r in kept(old)}
        assert now.pop((left[0].sensor_id, at)) is not None
        assert now == {(r.sensor_id, r.at): r.flags for r in left}


class TestWhatMustNotGo:
    def test_what_is_not_settled_stays_and_goes_next_time(self, old):
        hour = START + 2 * DAY
        with old.write() as session:
            mark(session, [("booth", to_millis(hour))])
        thin_all(old)
        left = [row.at for row in kept(old, START + 4 * DAY)]
        # Settling that hour looks six hours back from flags a quarter of an hour before it.
        assert min(left) < hour - 6 * HOUR
        assert max(left) > hour + 6 * HOUR
        settle_all(old)
        assert thin_all(old) == len(left)

    def test_what_its_roll_up_does_not_tell_stays_and_is_settled_anew(self, old):
        with old.write() as session:
            (spoilt,) = session.exec(
                select(RollUp).where(
                    RollUp.sensor_id == 1, RollUp.step_s == 3600, RollUp.at == START + DAY
                )
            )
            spoilt.count -= 1
        thin_all(old)
        left = [row.at for row in kept(old, START + 4 * DAY)]
        assert START + DAY + timedelta(seconds=7) in left
        assert max(left) < START + 2 * DAY
        with old.read() as session:
            assert [row.hour for row in session.exec(select(Unsettled))] == [START + DAY]
        settle_all(old)
        assert thin_all(old) == len(left)


class TestOnceADay:
    def test_a_bite_a_step_and_again_the_next_day(self, old):
        clock = SetClock(END)
        steps = Retention(old, clock, 30)
        bites = [steps.step() for _ in range(40)]
        assert max(bites) == PER_DAY  # a day of one sensor
        assert sum(bites) == 2 * ((GONE_DAYS - 1) * PER_DAY + 23 * PER_HOUR)
        assert bites[-10:] == [0] * 10
        clock.advance(days=1)
        with old.write() as session:
            at = END + DAY
            record_batch(session, [NewReading("booth", "wall", at, at, 18.0, 55.0)])
        settle_all(old)
        assert sum(steps.step() for _ in range(10)) > 0

    def test_a_bite_that_fails_is_tried_again(self, old, monkeypatch):
        steps = Retention(old, SetClock(END), 30)
        assert steps.step() == PER_DAY
        with old.engine.connect() as holder:
            holder.exec_driver_sql("SELECT 1")  # takes the lock to write, and keeps it
            with monkeypatch.context() as patch:
                patch.setattr("service.store.db.BUSY_TIMEOUT_MS", 50)
                other = Database(old.url)
                blocked = Retention(other, SetClock(END), 30)
                with pytest.raises(OperationalError, match=r"locked|lock timeout"):
                    blocked.step()
            holder.rollback()
        assert blocked.step() == PER_DAY
        other.dispose()

    def test_without_the_setting_nothing_ever_goes(self, old):
        clock = SetClock(END + 3650 * DAY)
        assert Retention(old, clock, None).step() == 0

    @databases.sqlite_only
    def test_the_room_is_used_again(self, old):
        def pages():
            with old.engine.connect() as connection:
                return connection.exec_driver_sql("PRAGMA page_count").scalar()

        thin_all(old)
        size = pages()
        shift = timedelta(days=DAYS)
        with old.write() as session:
            record_batch(
                session,
                [
                    NewReading("booth", "wall", r.at + shift, r.at + shift, r.air_c, r.rh_pct)
                    for r in course("wall", 1)[: 4 * PER_DAY]
                ],
            )
        # Five days of two sensors went, four days of one came.
        assert pages() <= size


@pytest.mark.real
@pytest.mark.slow
def test_the_running_service_does_it_between_its_looks(old, data_folder, mosquitto, monkeypatch):
    before = kept(old)
    limit = before[-1].at.replace(minute=0, second=0, microsecond=0) - timedelta(days=30)
    wanted = [row for row in before if row.at >= limit]
    monkeypatch.setenv("BOOTHGLASS_KEEP_RAW_DAYS", "30")
    service = Service(data_folder, mosquitto.url)
    try:
        service.start()
        eventually(lambda: len(kept(old)) <= len(wanted), 60, "old readings are gone")
        said = service.get("health")
    finally:
        service.stop()
    assert kept(old) == wanted
    # Nobody sends anything here, which health tells; all else is well.
    unheard = ("silent", "no sensor is heard")
    assert not [reason for reason in said["reasons"] if not any(u in reason for u in unheard)]


def test_horizon_never_goes_back(database):
    with database.write() as session:
        horizon.move_horizon(session, 7_200_000)
        horizon.move_horizon(session, 3_600_000)
    with database.read() as session:
        assert horizon.horizon(session) == 7_200_000
        assert session.exec(select(func.count()).select_from(Reading)).one() == 0
    assert retention.AFTER_COAT > retention.BEFORE_COAT
