"""Readings land once, whatever the order and however often they are sent."""

from __future__ import annotations

import dataclasses
import random
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from sqlmodel import func, select

from service.store import readings
from service.store.readings import NewReading, guess_kind, record_batch
from service.store.settling import settle_all
from service.store.tables import Place, Reading, Sensor

START = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)


def reading(
    second: float = 0.0,
    *,
    place: str = "booth",
    sensor: str = "wall",
    air_c: float = 20.0,
    rh_pct: float = 50.0,
    surface_c: float | None = None,
) -> NewReading:
    at = START + timedelta(seconds=second)
    return NewReading(place, sensor, at, at, air_c, rh_pct, surface_c)


def record(database, batch):
    with database.write() as session:
        recorded = record_batch(session, batch)
    settle_all(database)
    return recorded


def kept(database):
    with database.read() as session:
        return session.exec(select(Reading).order_by(Reading.sensor_id, Reading.at)).all()


class TestRecording:
    def test_the_first_reading_makes_place_and_sensor(self, database):
        recorded = record(database, [reading(place="wood-store", sensor="shelf")])
        assert (recorded.new, recorded.duplicates) == (1, 0)
        assert recorded.places == {"wood-store"}
        with database.read() as session:
            (place,) = session.exec(select(Place)).all()
            (sensor,) = session.exec(select(Sensor)).all()
        assert (place.id, place.name, place.kind) == ("wood-store", "Wood store", "store")
        assert place.made_at == START
        assert (sensor.place_id, sensor.name) == ("wood-store", "shelf")

    def test_values_come_back_as_they_were(self, database):
        sent = NewReading(
            "booth", "wall", START, START + timedelta(seconds=2),
            21.2503, 101.5, 19.5, 100_800.3, 64,
        )  # fmt: skip
        record(database, [sent])
        (row,) = kept(database)
        assert (row.at, row.received_at) == (sent.at, sent.received_at)
        assert (row.raw_air_c, row.raw_rh_pct, row.battery_pct) == (21.2503, 101.5, 64)
        assert (row.surface_c, row.pressure_pa) == (19.5, 100_800.3)

    def test_nothing_is_fine(self, database):
        assert record(database, []).new == 0

    def test_twice_in_a_batch_lands_once_and_the_first_stands(self, database):
        recorded = record(database, [reading(air_c=20.0), reading(air_c=25.0)])
        assert (recorded.new, recorded.duplicates) == (1, 1)
        assert [row.raw_air_c for row in kept(database)] == [20.0]

    def test_sent_again_later_lands_once_and_the_first_stands(self, database):
        record(database, [reading(0), reading(30)])
        recorded = record(database, [reading(30, air_c=25.0), reading(60)])
        assert (recorded.new, recorded.duplicates) == (1, 1)
        assert [row.raw_air_c for row in kept(database)] == [20.0, 20.0, 20.0]

    def test_instants_are_told_apart_to_the_millisecond(self, database):
        recorded = record(database, [reading(0), reading(0.0004), reading(0.001)])
        assert (recorded.new, recorded.duplicates) == (2, 1)

    def test_one_instant_of_two_sensors_is_two_readings(self, database):
        recorded = record(
            database,
            [reading(sensor="wall"), reading(sensor="bench"), reading(place="rack")],
        )
        assert (recorded.new, recorded.duplicates) == (3, 0)
        assert recorded.places == {"booth", "rack"}

    def test_any_order_and_any_repetition_end_the_same(self, database):
        rnd = random.Random(4)
        all_of_them = [
            reading(second, sensor=sensor) for second in range(200) for sensor in ("wall", "bench")
        ]
        sent = [*all_of_them, *rnd.choices(all_of_them, k=300)]
        rnd.shuffle(sent)
        new = 0
        while sent:
            batch, sent = sent[:61], sent[61:]
            new += record(database, batch).new
        assert new == len(all_of_them)
        rows = kept(database)
        assert len(rows) == len(all_of_them)
        assert {(r.sensor_id, r.at) for r in rows} == {
            (sensor_id, r.at) for sensor_id in (1, 2) for r in all_of_them
        }

    def test_sensors_are_bounded(self, database, monkeypatch):
        monkeypatch.setattr(readings, "MOST_SENSORS", 3)
        recorded = record(
            database, [reading(sensor=f"s{n}") for n in range(3)] + [reading(place="other")]
        )
        assert (recorded.new, recorded.refused) == (3, (3,))
        again = record(database, [reading(1, place="other"), reading(1, sensor="s1")])
        assert (again.new, again.duplicates, again.refused) == (1, 0, (0,))
        with database.read() as session:
            assert session.exec(select(func.count()).select_from(Sensor)).one() == 3
            assert [p.id for p in session.exec(select(Place))] == ["booth"]

    @pytest.mark.parametrize(
        ("place", "kind"),
        [
            ("booth", "booth"),
            ("spray-2", "booth"),
            ("drying-rack", "rack"),
            ("wood-store", "store"),
            ("outdoors", "outdoors"),
        ],
    )
    def test_a_places_kind_is_guessed_from_its_word(self, place, kind):
        assert guess_kind(place) == kind


class TestLatest:
    def test_the_newest_of_each_sensor_whatever_came_last(self, database):
        record(database, [reading(60, air_c=22.0), reading(30, sensor="bench", air_c=18.0)])
        record(database, [reading(0, air_c=10.0), reading(90, place="rack", air_c=15.0)])
        with database.read() as session:
            newest = readings.latest(session, "booth")
            assert sorted((r.raw_air_c, r.at) for r in newest) == [
                (18.0, START + timedelta(seconds=30)),
                (22.0, START + timedelta(seconds=60)),
            ]
            assert readings.latest(session, "nowhere") == []


class TestSeries:
    def series(self, database, step_s=None, until_s=3600.0, place="booth"):
        with database.read() as session:
            return readings.series(
                session, place, START, START + timedelta(seconds=until_s), step_s
            )

    def test_in_order_of_time_both_ends_included(self, database):
        record(database, [reading(s, air_c=20 + s / 1000) for s in (60, 0, 30, 3600, -1, 3601)])
        found = self.series(database)
        assert (found.time_s - START.timestamp()).tolist() == [0, 30, 60, 3600]
        assert found.air_c.tolist() == [20.0, 20.03, 20.06, 23.6]
        assert found.rh_pct.tolist() == [50.0] * 4
        assert np.isnan(found.surface_c).all()

    def test_an_empty_span(self, database):
        found = self.series(database)
        assert [len(a) for a in dataclasses.astuple(found)] == [0, 0, 0, 0]

    def test_sensors_of_one_instant_are_averaged(self, database):
        record(
            database,
            [
                reading(0, air_c=20.0, surface_c=18.0),
                reading(0, sensor="bench", air_c=21.0),
                reading(0, place="rack", air_c=30.0),
            ],
        )
        found = self.series(database)
        assert found.air_c.tolist() == [20.5]
        assert found.surface_c.tolist() == [18.0]  # only one of them knows the surface

    def test_steps_average_in_the_database_as_numpy_does(self, database):
        # Reference: NumPy's mean over the same buckets.
        rnd = np.random.default_rng(7)
        seconds = np.sort(rnd.choice(3600, size=500, replace=False))
        air_c = 20 + 2 * np.sin(seconds / 600) + rnd.normal(0, 0.02, 500)
        rh_pct = 50 - 5 * np.sin(seconds / 600) + rnd.normal(0, 0.1, 500)
        record(
            database,
            [
                reading(float(s), air_c=float(a), rh_pct=float(r))
                for s, a, r in zip(seconds, air_c, rh_pct, strict=True)
            ],
        )
        found = self.series(database, step_s=300.0)
        bucket = seconds // 300
        expected = np.array(
            [[x[bucket == b].mean() for x in (seconds, air_c, rh_pct)] for b in np.unique(bucket)]
        )
        # Values are kept to 0.0001.
        np.testing.assert_allclose(found.time_s - START.timestamp(), expected[:, 0], atol=2e-3)
        np.testing.assert_allclose(found.air_c, expected[:, 1], atol=5e-5)
        np.testing.assert_allclose(found.rh_pct, expected[:, 2], atol=5e-5)
