"""The outlook of a place from its own record, and forecasts of the air outdoors."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import databases
import numpy as np
import pytest
from pydantic import ValidationError

from service.clock import DrivenClock
from service.intake.foretold import TOPIC, Foretold
from service.store import forecasts, rejects
from service.store.db import Database
from service.store.errors import BadInput
from service.store.forecasts import NewForecast
from service.store.outlooks import Outlooks
from service.store.readings import NewReading, record_batch
from service.store.settling import settle_all

NOW = datetime(2026, 4, 20, 9, 12, tzinfo=UTC)
HOUR_S = 3600.0


@pytest.fixture
def db(tmp_path: Path) -> Database:
    made = Database(databases.address(tmp_path))
    made.upgrade()
    yield made
    made.dispose()


def readings(days: float, until: datetime = NOW, every_min: int = 10) -> list[NewReading]:
    """A room with a course of the day, up to ``until``."""
    count = int(days * 1440 / every_min)
    found = []
    for step in range(count, -1, -1):
        at = until - timedelta(minutes=every_min * step)
        hour = at.timestamp() / HOUR_S
        air_c = 18.0 + 3.0 * np.cos(2 * np.pi * (hour - 15.0) / 24.0) + np.sin(hour / 17.0)
        rh = 55.0 - 2.0 * (air_c - 18.0) + 4.0 * np.sin(hour / 29.0)
        found.append(
            NewReading("booth", "wall", at, at, round(float(air_c), 2), round(float(rh), 2))
        )
    return found


def record(db: Database, batch: list[NewReading]) -> None:
    with db.write() as session:
        record_batch(session, batch)
    settle_all(db)


def test_too_little_history_gives_none_and_says_so(db: Database) -> None:
    record(db, readings(1.5))
    outlooks = Outlooks(db, DrivenClock(NOW, 1.0))
    assert "being made" in outlooks.why_none("booth")
    assert outlooks.refresh() == []
    with db.read() as session:
        assert outlooks.of(session, "booth") is None
    assert outlooks.why_none("booth") == (
        "the outlook needs 3 days of readings from this place; there are 1.5"
    )


def test_an_outlook_rests_on_the_record_and_the_clock_alone(db: Database) -> None:
    record(db, readings(6))
    clock = DrivenClock(NOW, 1.0)
    one, two = Outlooks(db, clock), Outlooks(db, clock)
    for outlooks in (one, two):
        assert outlooks.refresh() == ["booth"]
        assert outlooks.refresh() == []  # nothing is due a moment later
    with db.read() as session:
        first, second = one.of(session, "booth"), two.of(session, "booth")
        assert one.of(session, "booth") is first
    assert first is not None
    assert second is not None
    # Fitted as of the whole hour, issued as of the end of the last five minutes that are over and
    # were read in: one began at 9:00, the next is under way.
    assert first.model.fitted_s == datetime(2026, 4, 20, 9, tzinfo=UTC).timestamp()
    assert first.issued_s == datetime(2026, 4, 20, 9, 5, tzinfo=UTC).timestamp()
    assert first.days == pytest.approx(6.0, abs=0.2)
    assert np.array_equal(first.ahead.air_c, second.ahead.air_c)
    assert np.array_equal(first.quantiles.air_c, second.quantiles.air_c)
    # The room's law is simple; a day ahead it is known to within a degree or two.
    hour = first.issued_s / HOUR_S + 24.0
    truth = 18.0 + 3.0 * np.cos(2 * np.pi * (hour - 15.0) / 24.0) + np.sin(hour / 17.0)
    assert first.quantiles.air_c[23, 9] == pytest.approx(truth, abs=1.5)
    assert first.ahead.time_s[0] == first.issued_s

    clock.drive(now=NOW + timedelta(minutes=10))
    record(db, readings(0, NOW + timedelta(minutes=10)))
    with db.read() as session:
        newer = one.of(session, "booth")
    assert newer is not None
    assert newer.issued_s == first.issued_s + 600.0
    assert newer.model.fitted_s == first.model.fitted_s

    clock.drive(now=NOW + timedelta(days=2))
    with db.read() as session:
        assert one.of(session, "booth") is None
    assert "nothing was heard" in one.why_none("booth")


def test_a_place_that_is_looked_at_goes_first_and_each_is_told_when_it_is_there(
    db: Database,
) -> None:
    record(db, [r._replace(place=place) for r in readings(4.0) for place in ("booth", "rack")])
    outlooks, told = Outlooks(db, DrivenClock(NOW, 1.0)), []

    def hear(place_id: str) -> None:
        with db.read() as session:
            there = [outlooks.of(session, p) is not None for p in ("booth", "rack")]
        told.append((place_id, there))

    assert outlooks.refresh(["rack"], hear) == ["rack", "booth"]
    assert told == [("rack", [False, True]), ("booth", [True, True])]


def test_flagged_readings_are_no_history(db: Database) -> None:
    """A sensor that stuck for two days: they do not count towards the days needed."""
    rows = readings(4)
    stuck = [
        NewReading(r.place, r.sensor, r.at, r.received_at, 18.0, 55.0)
        if r.at > NOW - timedelta(days=2.5)
        else r
        for r in rows
    ]
    record(db, stuck)
    outlooks = Outlooks(db, DrivenClock(NOW, 1.0))
    outlooks.refresh()
    said = outlooks.why_none("booth")
    assert said.startswith("the outlook needs 3 days")
    assert float(said.rsplit(" ", 1)[1]) < 2.0


def test_a_hole_is_bridged_from_the_record(db: Database) -> None:
    gone = (NOW - timedelta(hours=30), NOW - timedelta(hours=20))
    record(db, [r for r in readings(6) if not gone[0] < r.at < gone[1]])
    outlooks = Outlooks(db, DrivenClock(NOW, 1.0))
    outlooks.refresh()
    with db.read() as session:
        issue = outlooks.of(session, "booth")
    assert issue is not None
    hole = issue.hole(gone[0].timestamp(), gone[1].timestamp())
    assert hole is not None
    assert hole is issue.hole(gone[0].timestamp(), gone[1].timestamp())
    assert hole.time_s[0] == gone[0].timestamp()
    assert hole.time_s[-1] == gone[1].timestamp()
    hour = hole.time_s / HOUR_S
    truth = 18.0 + 3.0 * np.cos(2 * np.pi * (hour - 15.0) / 24.0) + np.sin(hour / 17.0)
    assert np.abs(hole.air_c.mean(axis=0) - truth).max() < 1.5
    assert hole.air_c.std(axis=0)[10] > hole.air_c.std(axis=0)[0]
    assert issue.hole(NOW.timestamp() - 90 * 86_400.0, NOW.timestamp() - 89 * 86_400.0) is None


def test_a_forecast_is_kept_once_and_laid_out_in_order(db: Database) -> None:
    given = forecast()
    with db.write() as session:
        assert forecasts.keep(session, given, NOW) == 3
        assert forecasts.keep(session, given, NOW + timedelta(hours=1)) == 0
    with db.read() as session:
        assert forecasts.told(session, (NOW - timedelta(hours=2)).timestamp()) is None
        told = forecasts.told(session, NOW.timestamp())
    assert told is not None
    assert told.air_c.tolist() == [11.0, 12.0, 13.0]
    assert np.all(np.diff(told.at_s) == HOUR_S)
    # 11 °C at 80 %: 7.7 °C (psychrometric chart, ASHRAE Fundamentals 2017, ch. 1).
    assert told.dew_point_c[0] == pytest.approx(7.7, abs=0.1)


def body(**changed: object) -> dict[str, object]:
    hours = [
        {"at": (NOW + timedelta(hours=h)).isoformat(), "air_c": 10.0 + h, "rh_pct": 80.0}
        for h in (1, 2, 3)
    ]
    return {"issued_at": (NOW - timedelta(minutes=5)).isoformat(), "hours": hours} | changed


def forecast(**changed: object) -> NewForecast:
    return NewForecast.model_validate(body(**changed))


@pytest.mark.parametrize(
    ("changed", "field"),
    [
        ({"issued_at": (NOW + timedelta(hours=1)).isoformat()}, "issued_at"),
        ({"issued_at": (NOW - timedelta(days=200)).isoformat()}, "issued_at"),
        ({"issued_at": (NOW - timedelta(days=30)).isoformat()}, "hours.0.at"),
    ],
)
def test_a_forecast_of_another_time_is_refused(
    db: Database, changed: dict[str, object], field: str
) -> None:
    with db.write() as session, pytest.raises(BadInput) as refused:
        forecasts.keep(session, forecast(**changed), NOW)
    assert refused.value.field == field


def test_a_forecast_that_goes_back_in_time_is_refused() -> None:
    hours = list(reversed(body()["hours"]))  # type: ignore[call-overload]
    with pytest.raises(ValidationError, match=r"hours\.1\.at"):
        forecast(hours=hours)


@pytest.mark.parametrize(
    ("payload", "field"),
    [
        (b"{", "payload"),
        (json.dumps(body(hours=[])).encode(), "hours"),
        (
            json.dumps(
                body(hours=[{"at": NOW.isoformat(), "air_c": 900, "rh_pct": 5}] * 2)
            ).encode(),
            "hours.0.air_c",
        ),
        (json.dumps(body(issued_at="2026-04-20T09:00:00")).encode(), "issued_at"),
        (b" " * 70_000, "payload"),
    ],
)
def test_a_message_that_cannot_be_used_is_kept_with_its_reason(
    db: Database, payload: bytes, field: str
) -> None:
    listener = Foretold(db, DrivenClock(NOW, 1.0))
    assert listener.take(payload) == 0
    with db.read() as session:
        (row,) = rejects.recent(session)
    assert (row.topic, row.field) == (TOPIC, field)
    assert listener.take(json.dumps(body()).encode()) == 3


def test_a_place_that_fell_silent_keeps_its_last_outlook_for_a_while(db: Database) -> None:
    """The hour turns, and nothing more is read: what was known still tells what may come."""
    record(db, readings(5, NOW - timedelta(hours=3)))
    outlooks = Outlooks(db, DrivenClock(NOW, 1.0))
    assert outlooks.refresh() == ["booth"]
    with db.read() as session:
        issue = outlooks.of(session, "booth")
    assert issue is not None
    # The newest reading is of 6:12.
    assert issue.issued_s == datetime(2026, 4, 20, 6, 15, tzinfo=UTC).timestamp()
    assert np.isfinite(issue.quantiles.air_c).all()


def test_a_sensor_that_reports_every_half_hour_has_an_outlook(db: Database) -> None:
    record(db, readings(5, NOW - timedelta(minutes=1), every_min=30))
    outlooks = Outlooks(db, DrivenClock(NOW, 1.0))
    outlooks.refresh()
    with db.read() as session:
        issue = outlooks.of(session, "booth")
    assert issue is not None
    assert np.isfinite(issue.ahead.air_c).all()
