"""The clock behind a verdict follows the record: corrections, late readings, coats and moves."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import timedelta
from typing import NamedTuple

import pytest
from equipment import SetClock
from sqlmodel import col, select

from service.store import corrections, horizon, verdict_marks
from service.store.catalogue import Catalogue, load_catalogue
from service.store.db import Database
from service.store.desk import Desk, ShopFacts
from service.store.pieces import LOOK_BACK, SOFT_FOR
from service.store.readings import NewReading, record_batch
from service.store.rebuilding import rebuild
from service.store.settling import settle_all
from service.store.tables import Correction, Reading, Sensor, Verdict
from service.store.types import to_millis
from service.store.work import Work

WET_K = 273.15
GAS = 8.314462618


class Bench(NamedTuple):
    clock: SetClock
    db: Database
    catalogue: Catalogue
    work: Work

    def pass_time(self, minutes: int, air_c: float = 22.5, *places: str) -> None:
        rows = []
        for n in range(minutes // 5):
            self.clock.advance(minutes=5)
            at = self.clock.now()
            rows += [
                NewReading(place, "wall", at, at, air_c + 0.01 * (n % 7 - 3), 45.0)
                for place in places or ("booth",)
            ]
        with self.db.write() as session:
            record_batch(session, rows)
        settle_all(self.db)

    def verdict(self, verdict_id: int | None) -> Verdict:
        with self.db.read() as session:
            return session.get_one(Verdict, verdict_id)

    def correct(self, offset: float) -> int:
        with self.db.write() as session:
            wall = session.exec(select(Sensor).where(Sensor.place_id == "booth")).one()
            kept = corrections.keep(
                session,
                Correction(
                    sensor_id=wall.id, quantity="air_c", method="typed in", offset=offset,
                    from_at=self.clock.now() - timedelta(days=2), made_at=self.clock.now(),
                ),
            )  # fmt: skip
            kept_id = int(kept.id or 0)
        settle_all(self.db)
        return kept_id


@pytest.fixture
def bench(database: Database, clock: SetClock) -> Bench:
    catalogue = load_catalogue()
    desk = Desk(database, clock, catalogue, ShopFacts())
    made = Bench(clock, database, catalogue, Work(database, clock, catalogue, desk))
    made.work.add_place("booth")
    made.work.add_place("rack", kind="rack")
    made.pass_time(60, 22.5, "booth", "rack")
    return made


@pytest.fixture
def tapped(bench: Bench) -> Verdict:
    """A coat that hung for two hours, and was gummy then."""
    piece = bench.work.add_instrument(
        shop_number="41", kind="lute", schedule_id="lacquer-clear", place_id="booth"
    )
    bench.work.record_coat(int(piece.id or 0))
    bench.pass_time(120)
    said = bench.work.verdicts.record(int(piece.id or 0), "gummed")
    bench.work.verdicts.catch_up()
    return bench.verdict(said.id)


def arrhenius(bench: Bench, verdict: Verdict, warmer_k: float) -> float:
    """How much faster the law of the material runs so much above 22.5 °C."""
    law = bench.catalogue.materials[verdict.material_id].drying
    ends = [1.0 / (WET_K + 22.5), 1.0 / (WET_K + 22.5 + warmer_k)]
    return math.exp(1000.0 * law.activation_kj_mol / GAS * (ends[0] - ends[1]))


def test_a_correction_made_later_moves_the_clock_and_undoing_it_moves_it_back(
    bench: Bench, tapped: Verdict
) -> None:
    kept = bench.correct(+3.0)
    assert bench.work.verdicts.catch_up() == 1
    faster = bench.verdict(tapped.id).hours / tapped.hours
    assert faster == pytest.approx(arrhenius(bench, tapped, 3.0), rel=1e-3)
    (told,) = bench.work.verdicts.learning(tapped.material_id).told
    assert told.hours == bench.verdict(tapped.id).hours
    with bench.db.write() as session:
        corrections.undo(session, session.get_one(Correction, kept), bench.clock.now())
    settle_all(bench.db)
    assert bench.work.verdicts.catch_up() == 1
    assert bench.verdict(tapped.id).hours == pytest.approx(tapped.hours, rel=1e-12)


def test_what_comes_after_the_verdict_changes_nothing(bench: Bench, tapped: Verdict) -> None:
    bench.pass_time(300, 30.0)
    assert bench.work.verdicts.catch_up() == 0
    assert bench.verdict(tapped.id) == tapped
    with bench.db.read() as session:
        assert verdict_marks.due(session) == []


def moved_earlier(bench: Bench, piece: int) -> None:
    bench.work.hang(piece, "rack", bench.clock.now() - timedelta(hours=1))


def coat_under_it(bench: Bench, piece: int) -> None:
    at = bench.clock.now() - timedelta(minutes=150)
    bench.work.record_coat(piece, material_id="nitro-lacquer-gun", at=at)


@pytest.mark.parametrize("entered", [moved_earlier, coat_under_it])
def test_a_coat_or_a_move_entered_later_counts_and_so_does_its_undoing(
    bench: Bench, tapped: Verdict, entered: Callable[[Bench, int], None]
) -> None:
    entered(bench, 1)
    assert bench.work.verdicts.catch_up() == 1
    other = bench.verdict(tapped.id)
    assert (other.hours, other.gap_h) != (tapped.hours, tapped.gap_h)
    bench.work.undo("coat" if entered is coat_under_it else "hung", 2)
    assert bench.work.verdicts.catch_up() == 1
    assert bench.verdict(tapped.id).hours == pytest.approx(tapped.hours, rel=1e-12)


def test_a_rebuild_finds_it_equal_and_mends_what_was_spoilt(bench: Bench, tapped: Verdict) -> None:
    for check in (True, False, False):
        found = rebuild(bench.db, catalogue=bench.catalogue, check=check)
        assert found.same
        assert bench.verdict(tapped.id) == tapped
    with bench.db.write() as session:
        row = session.get_one(Verdict, tapped.id)
        row.hours *= 1.5
        session.add(row)
    checked = rebuild(bench.db, catalogue=bench.catalogue, check=True)
    assert (checked.same, checked.verdicts) == (False, 1)
    assert checked.examples[0].was == pytest.approx(1.5 * tapped.hours)
    assert bench.verdict(tapped.id).hours == pytest.approx(1.5 * tapped.hours)
    mended = rebuild(bench.db, catalogue=bench.catalogue)
    assert mended.verdicts == 1
    assert bench.verdict(tapped.id).hours == tapped.hours
    assert rebuild(bench.db, catalogue=bench.catalogue).same


def test_a_correction_not_yet_followed_is_no_difference_to_a_rebuild(
    bench: Bench, tapped: Verdict
) -> None:
    bench.correct(+3.0)
    assert rebuild(bench.db, catalogue=bench.catalogue, check=True).same
    assert bench.verdict(tapped.id).hours == tapped.hours
    assert rebuild(bench.db, catalogue=bench.catalogue).same
    assert bench.verdict(tapped.id).hours > tapped.hours
    assert bench.work.verdicts.catch_up() == 0


def test_a_clock_of_thinned_readings_stays_as_it_was_reckoned(
    bench: Bench, tapped: Verdict
) -> None:
    with bench.db.write() as session:
        rows = session.exec(select(Reading).order_by(col(Reading.at)).limit(30)).all()
        for row in rows[::2]:
            session.delete(row)
        horizon.move_horizon(session, to_millis(bench.clock.now() + timedelta(hours=1)))
        verdict_marks.mark_piece(session, 1)
    assert bench.work.verdicts.catch_up() == 0
    assert bench.verdict(tapped.id) == tapped


def test_marks_reach_as_far_back_as_a_clock_does() -> None:
    assert verdict_marks.REACH > SOFT_FOR + LOOK_BACK
