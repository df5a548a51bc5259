"""History at any zoom: raw rows, buckets, and as many points as a screen wants."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import NamedTuple

import databases
import numpy as np
import psychrolib
import pytest

from service.store.db import Database
from service.store.errors import BadInput
from service.store.history import history
from service.store.readings import NewReading, record_batch

START = datetime(2026, 3, 2, 0, 0, tzinfo=UTC)
psychrolib.SetUnitSystem(psychrolib.SI)


class Day(NamedTuple):
    database: Database
    seconds: np.ndarray
    air_c: np.ndarray
    rh_pct: np.ndarray


@pytest.fixture(scope="module")
def a_day(tmp_path_factory):
    """A database with a day of two sensors at 30 s, and the daily course they follow."""
    folder = tmp_path_factory.mktemp("day")
    database = Database(databases.fresh(folder))
    seconds = np.arange(0, 86_400, 30)
    air_c = 18 + 4 * np.sin(2 * np.pi * seconds / 86_400)
    rh_pct = 60 - 15 * np.sin(2 * np.pi * seconds / 86_400)
    batch = [
        NewReading("booth", sensor, at := START + timedelta(seconds=int(s)), at, a, r)
        for sensor, shift in (("wall", 0.0), ("bench", 0.4))
        for s, a, r in zip(seconds, (air_c + shift).tolist(), rh_pct.tolist(), strict=True)
    ]
    with database.write() as session:
        record_batch(session, batch)
    yield Day(database, seconds, air_c, rh_pct)
    database.dispose()


def ask(database, hours=24.0, from_hour=0.0, **how):
    begin = START + timedelta(hours=from_hour)
    with database.read() as session:
        return history(session, "booth", begin, begin + timedelta(hours=hours), **how)


def test_raw_rows_carry_what_was_sent_and_what_counts(a_day):
    found = ask(a_day.database, hours=1 / 60, resolution="raw")
    assert found.resolution == "raw"
    assert [(r["at"], r["sensor"]) for r in found.rows] == [
        (START + timedelta(seconds=s), sensor) for s in (0, 30, 60) for sensor in ("wall", "bench")
    ]
    first = found.rows[0]
    assert first["air_c"] == 18.0
    assert first["rh_pct"] == 60.0
    assert (first["raw_air_c"], first["raw_rh_pct"], first["flags"]) == (18.0, 60.0, None)
    assert (first["surface_c"], first["pressure_pa"]) == (None, None)


@pytest.mark.parametrize(
    ("resolution", "seconds"), [("1m", 60), ("15m", 900), ("1h", 3600), ("1d", 86_400), ("90s", 90)]
)
def test_buckets_are_those_of_numpy(a_day, resolution, seconds):
    _, times, air_c, rh_pct = a_day
    found = ask(a_day.database, hours=24 - 1 / 3600, resolution=resolution)
    bucket = times // seconds
    # Two sensors in each: one 0.4 K above the other.
    assert len(found.rows) == len(np.unique(bucket))
    for row, b in zip(found.rows, np.unique(bucket), strict=True):
        here = bucket == b
        assert row["at"] == START + timedelta(seconds=int(b) * seconds)
        assert row["count"] == 2 * here.sum()
        # Values are kept to 0.0001, so within half of that.
        assert row["air_c"]["min"] == pytest.approx(air_c[here].min(), abs=5.1e-5)
        assert row["air_c"]["max"] == pytest.approx(air_c[here].max() + 0.4, abs=5.1e-5)
        assert row["air_c"]["mean"] == pytest.approx(air_c[here].mean() + 0.2, abs=5.1e-5)
        assert row["rh_pct"]["mean"] == pytest.approx(rh_pct[here].mean(), abs=5.1e-5)


def test_dew_point_of_a_bucket_is_that_of_its_means(a_day):
    # Reference: PsychroLib (ASHRAE 2017); its solver stops at 0.001 K, so twice that.
    for row in ask(a_day.database, resolution="1h").rows:
        expected = psychrolib.GetTDewPointFromRelHum(
            row["air_c"]["mean"], row["rh_pct"]["mean"] / 100
        )
        assert row["dew_point_c"] == pytest.approx(expected, abs=2e-3)


def test_bone_dry_air_has_no_dew_point_and_the_driest_air_has_one(database):
    airs = [(20.0, 0.0), (-40.0, 0.01), (60.0, 100.0)]
    with database.write() as session:
        record_batch(
            session,
            [
                NewReading("booth", "wall", START + timedelta(seconds=n), START, a, r)
                for n, (a, r) in enumerate(airs)
            ],
        )
    for resolution in ("raw", "1s"):
        dew_points = [
            row["dew_point_c"] for row in ask(database, hours=1, resolution=resolution).rows
        ]
        assert dew_points[0] is None
        assert dew_points[1] < -40.0
        assert dew_points[2] == pytest.approx(60.0, abs=1e-3)


@pytest.mark.parametrize("points", [2, 3, 10, 144, 400, 1000, 5000])
@pytest.mark.parametrize("from_hour", [0.0, 0.26, 3.999])
def test_auto_never_gives_more_points_than_asked_for(a_day, points, from_hour):
    found = ask(a_day.database, hours=20.0, from_hour=from_hour, points=points)
    assert 0 < len(found.rows) <= points


def test_auto_is_raw_where_few_readings_are(a_day):
    assert ask(a_day.database, hours=1.0, points=600).resolution == "raw"
    assert ask(a_day.database, hours=24.0, points=150).resolution == "10m"


def test_an_empty_span_is_empty(database):
    for resolution in ("raw", "15m", "auto"):
        assert ask(database, resolution=resolution).rows == []


@pytest.mark.parametrize(
    ("how", "field"),
    [
        ({"resolution": "fortnightly"}, "resolution"),
        ({"resolution": "0m"}, "resolution"),
        ({"resolution": "-5m"}, "resolution"),
        ({"resolution": "1s", "hours": 24}, "resolution"),
        ({"points": 1}, "points"),
        ({"points": 5001}, "points"),
    ],
)
def test_what_cannot_be_asked_is_named(database, how, field):
    with pytest.raises(BadInput) as caught:
        ask(database, **how)
    assert caught.value.field == field


def test_too_many_raw_rows_are_refused_not_cut_off(a_day, monkeypatch):
    monkeypatch.setattr("service.store.history.MOST_ROWS", 1000)
    with pytest.raises(BadInput, match="raw gives more than 1000 rows"):
        ask(a_day.database, resolution="raw")
