"""Corrections by a person: what they make, from when they hold, and that they can be undone."""

from __future__ import annotations

import math
from datetime import datetime, timedelta
from typing import Any

import pytest
from equipment import SetClock
from sqlmodel import select

from service.store import airs
from service.store.airs import ShopFacts
from service.store.catalogue import load_catalogue
from service.store.db import Database
from service.store.desk import Desk
from service.store.errors import BadInput, Conflict, NotFound, StoreError
from service.store.history import history
from service.store.notice_book import NoticeBook
from service.store.readings import NewReading, record_batch
from service.store.sensor_book import SensorBook
from service.store.settling import settle_all
from service.store.tables import Reading

SENSOR = 1
HOUR = timedelta(hours=1)


class Bench:
    """A booth whose one sensor has sent a reading every five minutes for a day."""

    def __init__(self, db: Database, clock: SetClock) -> None:
        self.db, self.clock = db, clock
        self.book = SensorBook(db, clock, lambda: settle_all(db))
        self.desk = Desk(db, clock, load_catalogue(), ShopFacts())
        self.start = clock.now() - 24 * HOUR
        self.read(*(self.start + i * timedelta(minutes=5) for i in range(289)))

    def read(self, *instants: datetime) -> None:
        rows = [
            NewReading(
                "booth", "wall", at, at,
                air_c=21.0 + round(math.sin(at.timestamp() / 7000.0), 2),
                rh_pct=47.0 + round(2.0 * math.cos(at.timestamp() / 9000.0), 2),
                surface_c=20.5,
            )
            for at in instants
        ]  # fmt: skip
        with self.db.write() as session:
            record_batch(session, rows)
        settle_all(self.db)

    def everything(self) -> dict[str, Any]:
        """Air now, raw rows and buckets of the day, and what is kept of each reading."""
        with self.db.read() as session:
            span = (self.start, self.clock.now())
            kept = [
                (r.at, r.raw_air_c, r.raw_rh_pct, r.surface_c, r.flags)
                for r in session.exec(select(Reading).order_by(Reading.at))
            ]
            return {
                "air": airs.air_of(session, "booth", self.clock.now(), ShopFacts()),
                "raw": history(session, "booth", *span, resolution="raw").rows,
                "hours": history(session, "booth", *span, resolution="1h").rows,
                "day": history(session, "booth", *span, resolution="1d").rows,
                "kept": kept,
            }


@pytest.fixture
def bench(database: Database, clock: SetClock) -> Bench:
    return Bench(database, clock)


class TestUndone:
    def test_everything_is_to_the_digit_as_it_was(self, bench: Bench) -> None:
        before = bench.everything()
        kept = bench.book.correct(
            SENSOR, quantity="rh_pct", slope=1.07, offset=-2.3, from_at=bench.start + 7.3 * HOUR
        )
        changed = bench.everything()
        assert changed["air"] != before["air"]
        assert changed["hours"] != before["hours"]
        # What was sent is never touched.
        assert [row[1:4] for row in changed["kept"]] == [row[1:4] for row in before["kept"]]
        bench.book.undo_correction(SENSOR, int(kept.id or 0))
        assert bench.everything() == before

    def test_it_stays_on_record_and_is_undone_once(self, bench: Bench) -> None:
        kept = bench.book.correct(SENSOR, quantity="air_c", offset=0.5, who="bench 1")
        bench.book.undo_correction(SENSOR, int(kept.id or 0))
        (held,) = bench.desk.corrections(SENSOR)
        assert (held.holds, held.undone_at, held.who) == (False, bench.clock.now(), "bench 1")
        with pytest.raises(Conflict) as refused:
            bench.book.undo_correction(SENSOR, int(kept.id or 0))
        assert refused.value.field == "correction"
        with pytest.raises(NotFound):
            bench.book.undo_correction(SENSOR, 99)

    def test_what_it_followed_holds_again(self, bench: Bench) -> None:
        first = bench.book.correct(SENSOR, quantity="rh_pct", offset=-3.0, from_at=bench.start)
        second = bench.book.correct(SENSOR, quantity="rh_pct", offset=-5.0)
        assert [c.holds for c in bench.desk.corrections(SENSOR)] == [True, False]
        bench.book.undo_correction(SENSOR, int(second.id or 0))
        (holding,) = bench.desk.sensor_detail(SENSOR).corrections
        assert holding.id == first.id


def test_a_correction_dated_back_changes_history_from_there_on_only(bench: Bench) -> None:
    before = bench.everything()
    from_at = bench.start + 10 * HOUR
    bench.book.correct(SENSOR, quantity="rh_pct", slope=1.05, offset=-1.0, from_at=from_at)
    after = bench.everything()
    for was, now in zip(before["raw"], after["raw"], strict=True):
        if was["at"] < from_at:
            assert now == was
        else:
            # By hand from what was sent; exact but for the last bits of a double.
            assert now["rh_pct"] == pytest.approx(1.05 * was["raw_rh_pct"] - 1.0, abs=1e-9)
            assert now["raw_rh_pct"] == was["raw_rh_pct"]
    first = [row for row in after["hours"] if row["at"] < from_at]
    assert first == [row for row in before["hours"] if row["at"] < from_at]


class TestInstrument:
    def test_the_sensor_agrees_with_the_instrument_from_then_on(self, bench: Bench) -> None:
        own = bench.book.around(SENSOR, "rh_pct")
        kept = bench.book.correct_by_instrument(SENSOR, quantity="rh_pct", value=51.5, sd=0.8)
        assert (kept.slope, kept.offset) == (1.0, pytest.approx(51.5 - own.raw))
        again = bench.book.around(SENSOR, "rh_pct")
        assert (again.raw, again.corrected) == (own.raw, pytest.approx(51.5))
        # The instrument's 0.8 and the sensor's own 1.0, in squares (JCGM 100, 5.1.2), and noise.
        assert kept.sd == pytest.approx(math.hypot(0.8, 1.0), abs=0.05)
        assert bench.desk.sensor_detail(SENSOR).rh_sd_now_pct == kept.sd

    def test_a_slope_that_holds_is_kept(self, bench: Bench) -> None:
        bench.book.correct(SENSOR, quantity="rh_pct", slope=1.1, offset=-4.0, from_at=bench.start)
        own = bench.book.around(SENSOR, "rh_pct")
        kept = bench.book.correct_by_instrument(SENSOR, quantity="rh_pct", value=46.0, sd=1.0)
        assert kept.slope == 1.1
        assert kept.slope * own.raw + kept.offset == pytest.approx(46.0)

    def test_the_moment_of_comparison_may_lie_back(self, bench: Bench) -> None:
        at = bench.start + 3 * HOUR
        near = [r for r in bench.everything()["raw"] if abs(r["at"] - at) <= HOUR / 4]
        mean = sum(r["raw_air_c"] for r in near) / len(near)
        kept = bench.book.correct_by_instrument(
            SENSOR, quantity="air_c", value=20.0, sd=0.2, at=at, from_at=bench.start
        )
        assert kept.detail["raw"] == pytest.approx(mean)
        assert kept.offset == pytest.approx(20.0 - mean)
        assert kept.from_at == bench.start

    @pytest.mark.parametrize(
        ("given", "field"),
        [
            ({"quantity": "pressure_pa"}, "quantity"),
            ({"value": 75.0}, "value"),  # 26 % RH from what it said
            ({"value": 101.0}, "value"),
            ({"sd": 0.0}, "sd"),
            ({"sd": math.nan}, "sd"),
            ({"hours": -30}, "at"),  # nothing was said then
            ({"hours": 2}, "at"),  # not yet
        ],
    )
    def test_what_cannot_be_is_refused_by_name(
        self, bench: Bench, given: dict[str, Any], field: str
    ) -> None:
        wanted: dict[str, Any] = {"quantity": "rh_pct", "value": 48.0, "sd": 1.0} | given
        if (hours := wanted.pop("hours", None)) is not None:
            wanted["at"] = bench.clock.now() + hours * HOUR
        before = bench.everything()
        with pytest.raises(StoreError) as refused:
            bench.book.correct_by_instrument(SENSOR, **wanted)
        assert refused.value.field == field
        assert bench.everything() == before

    def test_air_that_moves_is_no_place_to_compare(self, bench: Bench) -> None:
        now = bench.clock.now()
        rows = [
            NewReading("booth", "door", at, at, 20.0, 45.0 + 0.7 * minute)
            for minute in range(20)
            if (at := now - timedelta(minutes=minute))
        ]
        with bench.db.write() as session:
            record_batch(session, rows)
        settle_all(bench.db)
        with pytest.raises(BadInput, match="still air"):
            bench.book.around(2, "rh_pct")


@pytest.mark.parametrize(
    ("given", "field"),
    [
        ({"slope": 3.0}, "slope"),
        ({"offset": 90.0}, "offset"),
        ({"sd": -1.0}, "sd"),
        ({"from_at": datetime.fromisoformat("2031-01-01T00:00:00+00:00")}, "from_at"),
        ({"quantity": "battery"}, "quantity"),
    ],
)
def test_a_typed_correction_that_cannot_be_is_refused_by_name(
    bench: Bench, given: dict[str, Any], field: str
) -> None:
    with pytest.raises(BadInput) as refused:
        bench.book.correct(SENSOR, **({"quantity": "rh_pct"} | given))
    assert refused.value.field == field
    assert bench.desk.corrections(SENSOR) == []


class TestReminder:
    @pytest.fixture
    def notices(self, bench: Bench) -> NoticeBook:
        return NoticeBook(bench.db, bench.clock, bench.desk.catalogue, bench.desk)

    def told(self, notices: NoticeBook) -> list[str]:
        return [n.text for n in notices.look() if n.kind == "sensor-check-due"]

    def test_a_sensor_never_checked_is_due_after_its_first_reading_and_told_once(
        self, bench: Bench, notices: NoticeBook
    ) -> None:
        bench.clock.at = bench.start + timedelta(days=180) - timedelta(minutes=1)
        assert self.told(notices) == []
        bench.clock.advance(minutes=2)
        (text,) = self.told(notices)
        assert text == (
            "Sensor wall in booth is due for a humidity check:"
            " it has never had one, and was first heard 180 days ago"
        )
        bench.clock.advance(days=30)
        assert self.told(notices) == []
        assert bench.desk.sensor_detail(SENSOR).check_due

    def test_a_check_puts_it_off_by_as_long_as_the_sensor_asks_for(
        self, bench: Bench, notices: NoticeBook
    ) -> None:
        bench.book.change(SENSOR, check_every_days=30)
        checked = bench.clock.now()
        kept = bench.book.correct_by_instrument(SENSOR, quantity="rh_pct", value=48.0, sd=1.0)
        bench.clock.advance(days=29)
        assert self.told(notices) == []
        bench.clock.advance(days=1)
        assert "the last was 30 days ago" in self.told(notices)[0]
        assert bench.desk.sensor_detail(SENSOR).check_due_at == checked + timedelta(days=30)
        # Undone, the check is as if it had not been: due 30 days after the first reading.
        bench.book.undo_correction(SENSOR, int(kept.id or 0))
        assert bench.desk.sensor_detail(SENSOR).check_due_at == bench.start + timedelta(days=30)

    def test_a_temperature_correction_is_no_humidity_check(self, bench: Bench) -> None:
        bench.book.correct(SENSOR, quantity="air_c", offset=0.2)
        assert bench.desk.sensor_detail(SENSOR).checked_at is None

    def test_a_calibration_sheet_counts_from_its_own_date(self, bench: Bench) -> None:
        then = bench.clock.now() - timedelta(days=90)
        bench.book.correct(SENSOR, quantity="rh_pct", offset=0.2, from_at=then)
        assert bench.desk.sensor_detail(SENSOR).checked_at == then

    def test_of_a_sensor_out_of_use_nothing_is_told(
        self, bench: Bench, notices: NoticeBook
    ) -> None:
        bench.book.change(SENSOR, retired=True)
        bench.clock.advance(days=400)
        assert notices.look() == []
        (view,) = bench.desk.sensors()
        assert (view.retired, view.silent) == (True, False)


class TestOutOfUse:
    def test_what_it_says_meanwhile_is_not_the_places_air_and_counts_again_when_back(
        self, bench: Bench
    ) -> None:
        bench.book.change(SENSOR, retired=True)
        bench.clock.advance(minutes=30)
        bench.read(*(bench.clock.now() - i * timedelta(minutes=5) for i in range(5)))
        assert bench.everything()["air"] is None
        assert [row[4] for row in bench.everything()["kept"][-5:]] == [512] * 5
        assert bench.desk.sensor_detail(SENSOR).state == "retired"
        bench.book.change(SENSOR, retired=False)
        assert [row[4] for row in bench.everything()["kept"][-5:]] == [0] * 5
        assert bench.everything()["air"] is not None


def test_a_sensors_own_uncertainty_is_in_the_air_and_checked(bench: Bench) -> None:
    bench.book.change(SENSOR, air_sd_k=0.8, rh_sd_pct=3.5)
    air = bench.everything()["air"]
    assert air.rh_sd_pct >= 3.5
    assert air.air_sd_k >= 0.8
    for name, value in (("air_sd_k", 0.0), ("rh_sd_pct", 40.0), ("check_every_days", 0)):
        with pytest.raises(BadInput) as refused:
            bench.book.change(SENSOR, **{name: value})  # type: ignore[arg-type]
        assert refused.value.field == name
    with pytest.raises(NotFound) as missing:
        bench.book.change(77, rh_sd_pct=1.0)
    assert missing.value.field == "sensor"
