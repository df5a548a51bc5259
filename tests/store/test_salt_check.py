"""A salt check from the first jar to its correction, on a real database.

Truth over the salts is Greenspan's (1977, Table 2) at 20 °C: sodium chloride 75.47 % RH, magnesium
chloride 33.07.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from datetime import datetime, timedelta

import numpy as np
import pytest
from equipment import SetClock
from sqlmodel import select

from service.store import airs, corrections, readings
from service.store.airs import ShopFacts
from service.store.catalogue import load_catalogue
from service.store.db import Database
from service.store.desk import Desk
from service.store.errors import BadInput, Conflict
from service.store.history import history
from service.store.readings import NewReading, record_batch
from service.store.rebuilding import rebuild
from service.store.salt_book import SaltBook
from service.store.sensor_book import SensorBook
from service.store.settling import settle_all
from service.store.tables import Reading, Sensor
from service.store.work import Work

NACL_PCT, MGCL2_PCT = 75.47, 33.07
ROOM_C, ROOM_PCT = 20.0, 48.0
EVERY = timedelta(minutes=2)
TAU_S = 900.0


@dataclass
class Bench:
    """A booth with a sensor that reads 4 + 0.95 * truth, and one beside it that is right."""

    db: Database
    clock: SetClock
    rng: np.random.Generator = field(default_factory=lambda: np.random.default_rng(3))

    def __post_init__(self) -> None:
        self.settle = lambda: settle_all(self.db)
        self.salts = SaltBook(self.db, self.clock, self.settle)
        self.book = SensorBook(self.db, self.clock, self.settle)

    def live(self, hours: float, true_pct: float | None = None) -> None:
        """Let time pass; ``true_pct``: the first sensor is in a jar with that humidity."""
        begun, now = self.clock.now(), self.clock.now()
        end = begun + timedelta(hours=hours)
        batch = []
        while now < end:
            now += EVERY
            since = (now - begun).total_seconds()
            true = ROOM_PCT
            if true_pct is not None:
                true = true_pct + (ROOM_PCT - true_pct) * math.exp(-since / TAU_S)
            batch.append(self._reading("wall", now, 4.0 + 0.95 * true))
            batch.append(self._reading("bench", now, ROOM_PCT))
        with self.db.write() as session:
            record_batch(session, batch)
        self.settle()
        self.clock.at = end

    def _reading(self, sensor: str, at: datetime, rh_pct: float) -> NewReading:
        air_c = ROOM_C + self.rng.normal(0.0, 0.03)
        return NewReading("booth", sensor, at, at, air_c, rh_pct + self.rng.normal(0.0, 0.1))

    def id(self, name: str) -> int:
        with self.db.read() as session:
            return int(session.exec(select(Sensor.id).where(Sensor.name == name)).one() or 0)

    def flags(self, name: str) -> list[int | None]:
        with self.db.read() as session:
            query = select(Reading.flags).where(Reading.sensor_id == self.id(name))
            return list(session.exec(query.order_by(Reading.at)).all())

    def air(self) -> airs.Air | None:
        with self.db.read() as session:
            return airs.air_of(session, "booth", self.clock.now(), ShopFacts())


@pytest.fixture
def bench(database: Database, clock: SetClock) -> Bench:
    made = Bench(database, clock)
    made.live(2.0)
    return made


def through_both_jars(bench: Bench) -> int:
    """Do the check up to its result; returns the sensor."""
    sensor = bench.id("wall")
    bench.salts.begin(sensor, "sodium chloride", "magnesium chloride")
    bench.live(3.5, NACL_PCT)
    bench.salts.take(sensor)
    bench.salts.next_jar(sensor)
    bench.live(3.5, MGCL2_PCT)
    bench.salts.take(sensor)
    return sensor


def test_the_check_finds_how_far_the_sensor_is_off(bench: Bench) -> None:
    sensor = through_both_jars(bench)
    kept = bench.salts.adopt(sensor, who="bench 1")
    # 4 + 0.95 t turned round. A jar may be off by 0.3 % RH, two of them 42 % apart.
    assert kept.slope == pytest.approx(1.0 / 0.95, abs=2 * 0.42 / 42.0)
    for true in (MGCL2_PCT, 50.0, NACL_PCT):
        said = kept.slope * (4.0 + 0.95 * true) + kept.offset
        assert said == pytest.approx(true, abs=0.6)
    assert kept.sd is not None
    assert 1.0 < kept.sd < 2.0
    assert [jar["salt"] for jar in kept.detail["jars"]] == ["sodium chloride", "magnesium chloride"]
    assert bench.salts.open_check(sensor) is None
    assert bench.salts.latest(sensor).correction_id == kept.id


def test_a_jar_is_taken_only_once_it_has_settled_or_as_an_uncertain_one(bench: Bench) -> None:
    sensor = bench.id("wall")
    bench.salts.begin(sensor, "sodium chloride", "magnesium chloride")
    bench.live(0.7, NACL_PCT)
    with pytest.raises(Conflict, match="has not settled") as refused:
        bench.salts.take(sensor)
    assert refused.value.field == "jar"
    taken = bench.salts.take(sensor, anyway=True).jars[0]
    assert not taken.settled
    assert taken.taken is not None
    # Its uncertainty covers how far 0.7 h with a time constant of 15 min are from the end.
    truth = 4.0 + 0.95 * NACL_PCT
    assert abs(taken.taken.rh_pct - truth) < 2.0 * taken.taken.rh_sd_pct
    assert taken.taken.rh_sd_pct > 2.0


def test_a_restart_in_the_middle_changes_nothing(bench: Bench) -> None:
    sensor = bench.id("wall")
    bench.salts.begin(sensor, "sodium chloride", "magnesium chloride")
    bench.live(2.0, NACL_PCT)
    before = bench.salts.open_check(sensor)
    database = Database(bench.db.url)
    again = SaltBook(database, bench.clock, bench.settle)
    assert again.open_check(sensor) == before
    assert before is not None
    assert before.stage == "first jar"
    database.dispose()


def test_what_is_said_in_a_jar_is_not_the_places_air(bench: Bench) -> None:
    begun = bench.clock.now()
    through_both_jars(bench)
    air = bench.air()
    assert air is not None
    assert air.sensors == ("bench",)
    # The sensor beside it says 48; its noise of 0.1 is all that may show.
    assert air.rh_pct == pytest.approx(ROOM_PCT, abs=0.5)
    assert [(out.sensor, out.why) for out in air.left_out] == [
        ("wall", "is away for its salt check")
    ]
    with bench.db.read() as session:
        day = history(session, "booth", begun, bench.clock.now(), resolution="1h")
        course = readings.series(session, "booth", begun, bench.clock.now(), None)
    assert all(abs(row["rh_pct"]["max"] - ROOM_PCT) < 1.0 for row in day.rows)
    # An hour has thirty readings of each; those of the jar are left out and counted as such.
    assert {row["left_out"] for row in day.rows[1:-1]} == {30}
    assert float(np.abs(course.rh_pct - ROOM_PCT).max()) < 1.0


def test_a_place_with_no_other_sensor_has_no_air_meanwhile_and_says_why(
    database: Database, clock: SetClock
) -> None:
    bench = Bench(database, clock)
    bench.live(1.0)
    bench.book.change(bench.id("bench"), retired=True)
    bench.salts.begin(bench.id("wall"), "sodium chloride", "magnesium chloride")
    bench.live(1.0, NACL_PCT)
    air = bench.air()
    assert air is not None
    assert air.trouble is not None
    assert air.rh_pct == pytest.approx(4.0 + 0.95 * ROOM_PCT, abs=0.5)
    assert air.left_out[0].sensor == "wall"


def test_a_drying_clock_does_not_see_the_jar(bench: Bench) -> None:
    catalogue = load_catalogue()
    desk = Desk(bench.db, bench.clock, catalogue, ShopFacts())
    work = Work(bench.db, bench.clock, catalogue, desk)

    def clock_of(number: str, *, jar: bool) -> float:
        piece = work.add_instrument(
            shop_number=number, kind="ukulele", schedule_id="lacquer-clear", place_id="booth"
        )
        work.record_coat(int(piece.id or 0), material_id="nitro-lacquer-gun")
        if jar:
            bench.salts.begin(bench.id("wall"), "sodium chloride", "magnesium chloride")
        bench.live(1.5, NACL_PCT if jar else None)
        if jar:
            bench.salts.give_up(bench.id("wall"))
        return desk.card(int(piece.id or 0)).marks[-1].clock

    with_jar = clock_of("41", jar=True)
    bench.live(1.0)
    # Noise of 0.03 K and 0.1 % RH is the only difference; the jar's air would slow it by far more.
    assert with_jar == pytest.approx(clock_of("42", jar=False), rel=0.01)


def test_after_the_check_the_sensor_counts_again_once_it_is_back(bench: Bench) -> None:
    sensor = through_both_jars(bench)
    bench.salts.adopt(sensor)
    bench.live(0.4)
    air = bench.air()
    assert air is not None
    assert air.sensors == ("bench",)
    bench.live(0.3)
    air = bench.air()
    assert air is not None
    assert (air.sensors, air.left_out) == (("bench", "wall"), ())
    # Corrected, it agrees with the right one beside it.
    assert air.rh_pct == pytest.approx(ROOM_PCT, abs=0.6)


def test_a_check_that_is_given_up_corrects_nothing_and_its_readings_stay_out(bench: Bench) -> None:
    sensor = bench.id("wall")
    bench.salts.begin(sensor, "sodium chloride", "magnesium chloride")
    bench.live(1.0, NACL_PCT)
    bench.salts.give_up(sensor)
    assert bench.salts.latest(sensor).stage == "given up"
    with bench.db.read() as session:
        assert corrections.all_of(session, sensor) == []
    # An hour, a reading every two minutes; and the three of the five minutes before.
    assert sum(f == 512 for f in bench.flags("wall")) == 30 + 3
    bench.live(0.5)
    bench.live(0.1)
    assert bench.flags("wall")[-1] == 0


def test_a_sensor_that_never_left_its_place_counts_after_all(bench: Bench) -> None:
    sensor = bench.id("wall")
    bench.salts.begin(sensor, "sodium chloride", "magnesium chloride")
    bench.live(1.0)
    bench.salts.give_up(sensor, never_away=True)
    assert set(bench.flags("wall")) == {0}


def test_flags_of_a_check_are_the_same_after_a_rebuild(bench: Bench) -> None:
    sensor = through_both_jars(bench)
    bench.salts.adopt(sensor)
    bench.live(1.0)
    before = bench.flags("wall"), bench.flags("bench")
    rebuild(bench.db)
    assert (bench.flags("wall"), bench.flags("bench")) == before
    # Three in the five minutes before, 7 h of jars, half an hour to come back less its end.
    assert sum(f == 512 for f in before[0]) == 3 + 30 * 7 + 14


def test_a_jar_can_be_done_again(bench: Bench) -> None:
    sensor = through_both_jars(bench)
    view = bench.salts.repeat(sensor, 0)
    assert (view.stage, view.outcome) == ("first jar", None)
    bench.live(3.5, NACL_PCT)
    view = bench.salts.take(sensor)
    assert view.stage == "result"
    assert view.outcome is not None


def test_swapped_jars_are_told_in_plain_words_and_cannot_be_adopted(bench: Bench) -> None:
    sensor = bench.id("wall")
    bench.salts.begin(sensor, "sodium chloride", "magnesium chloride")
    bench.live(3.5, MGCL2_PCT)
    bench.salts.take(sensor)
    bench.salts.next_jar(sensor)
    bench.live(3.5, NACL_PCT)
    view = bench.salts.take(sensor)
    assert view.outcome is None
    assert view.problem is not None
    assert "jars look swapped" in view.problem
    with pytest.raises(Conflict, match="swapped"):
        bench.salts.adopt(sensor)


def test_what_cannot_be_begun_is_refused_by_name(bench: Bench) -> None:
    sensor = bench.id("wall")
    with pytest.raises(BadInput) as refused:
        bench.salts.begin(sensor, "table salt", "magnesium chloride")
    assert refused.value.field == "first"
    with pytest.raises(BadInput, match="less than 20 % RH") as refused:
        bench.salts.begin(sensor, "sodium chloride", "potassium chloride")
    assert refused.value.field == "second"
    bench.salts.begin(sensor, "sodium chloride", "magnesium chloride")
    with pytest.raises(Conflict, match="already under way"):
        bench.salts.begin(sensor, "sodium chloride", "magnesium chloride")
    with pytest.raises(Conflict) as early:
        bench.salts.next_jar(sensor)
    assert early.value.field == "jar"
    bench.clock.advance(hours=2)
    with pytest.raises(Conflict, match="no reading"):
        bench.salts.take(sensor, anyway=True)
    with pytest.raises(Conflict, match="both jars"):
        bench.salts.adopt(sensor)


def test_a_sensor_out_of_use_ends_its_check(bench: Bench) -> None:
    sensor = bench.id("wall")
    bench.salts.begin(sensor, "sodium chloride", "magnesium chloride")
    bench.book.change(sensor, retired=True)
    assert bench.salts.open_check(sensor) is None
    with pytest.raises(Conflict, match="out of use"):
        bench.salts.begin(sensor, "sodium chloride", "magnesium chloride")
