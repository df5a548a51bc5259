"""Verdicts on coats: kept, learned from, undone; ready times follow them and nothing else does."""

from __future__ import annotations

from datetime import timedelta
from typing import NamedTuple

import pytest
from equipment import SetClock

from service.shop.cards import InstrumentCard
from service.shop.learning import Observation, Prior, update
from service.store import readings
from service.store.catalogue import load_catalogue
from service.store.db import Database
from service.store.desk import Desk, ShopFacts
from service.store.errors import BadInput, Conflict, NotFound
from service.store.readings import NewReading
from service.store.settling import settle_all
from service.store.work import Work

SEALER = "vinyl-sealer-can"


class Bench(NamedTuple):
    clock: SetClock
    db: Database
    desk: Desk
    work: Work

    def pass_time(self, minutes: int, *, silent: bool = False) -> None:
        for _ in range(minutes // 5):
            self.clock.advance(minutes=5)
            if not silent:
                self.read()

    def read(self) -> None:
        now = self.clock.now()
        with self.db.write() as session:
            readings.record_batch(session, [NewReading("booth", "wall", now, now, 22.5, 45.0)])
        settle_all(self.db)

    def piece(self, number: str = "41") -> int:
        row = self.work.add_instrument(
            shop_number=number, kind="tenor ukulele", schedule_id="lacquer-clear", place_id="booth"
        )
        return int(row.id or 0)

    def sealed(self, number: str = "41", minutes: int = 40) -> int:
        """A piece whose sealer has dried for so long: its mark to sand stands at 37 min."""
        piece = self.piece(number)
        self.work.record_coat(piece)
        self.pass_time(minutes)
        return piece


@pytest.fixture
def bench(database: Database, clock: SetClock) -> Bench:
    catalogue = load_catalogue()
    desk = Desk(database, clock, catalogue, ShopFacts())
    made = Bench(clock, database, desk, Work(database, clock, catalogue, desk))
    made.work.add_place("booth")
    made.read()
    return made


def wait_h(card: InstrumentCard) -> float:
    assert card.act.wait is not None
    return card.act.wait.needed_h


def test_a_verdict_keeps_how_far_the_clock_had_run_and_is_about_the_mark_waited_for(
    bench: Bench,
) -> None:
    piece = bench.sealed(minutes=30)
    said = bench.work.verdicts.record(piece, "soft", who="Ada")
    assert (said.material_id, said.mark, said.said) == (SEALER, "sand", "soft")
    # 22.5 °C and 45 % are the reference air of the sealer: half an hour is half an hour.
    assert said.hours == pytest.approx(0.5, rel=1e-6)
    assert said.gap_h == 0.0
    (entry,) = (e for e in bench.desk.log(piece) if e.kind == "verdict")
    assert (entry.text, entry.who, entry.undone) == ("still soft (sand)", "Ada", False)


def test_ready_times_follow_what_was_learned_on_every_piece_of_that_material(bench: Bench) -> None:
    first, second = bench.sealed("41"), bench.sealed("42")
    before = {p: bench.desk.card(p) for p in (first, second)}
    bench.work.verdicts.record(first, "gummed")
    after = bench.desk.card(second)
    found = bench.work.verdicts.learning(SEALER)
    (tap,) = found.told
    scale = next(m for m in found.marks if m.mark == "sand")
    assert scale.middle > 1.0
    assert wait_h(after) == pytest.approx(scale.middle * wait_h(before[second]))
    assert after.act.wait is not None
    assert before[second].act.wait is not None
    # The clock itself is the air's and does not move.
    assert after.act.wait.elapsed_h == before[second].act.wait.elapsed_h
    assert found.after.words.endswith("(1 piece)")
    material = bench.desk.catalogue.materials[SEALER]
    alone = update(Prior.of(material), [Observation(tap.coat_id, "sand", tap.hours, False, first)])
    assert tap.after == found.after == alone
    # The one that gummed waits and stands behind the other, which goes by what was learned.
    assert bench.desk.cards() == [after, bench.desk.card(first)]


def test_undo_gives_back_the_very_ready_times_of_before(bench: Bench) -> None:
    piece = bench.sealed()
    before, learned = bench.desk.card(piece), bench.work.verdicts.learning(SEALER)
    bench.work.verdicts.record(piece, "soft")
    middle = bench.work.verdicts.learning(SEALER)
    wrong = bench.work.verdicts.record(piece, "clean")
    assert bench.work.verdicts.learning(SEALER).after != middle.after
    bench.work.undo("verdict", int(wrong.id or 0))
    assert bench.work.verdicts.learning(SEALER) == middle
    assert bench.work.undo_last(piece) == "still soft (sand)"
    assert bench.work.verdicts.learning(SEALER) == learned
    assert bench.desk.card(piece) == before
    assert [e.undone for e in bench.desk.log(piece) if e.kind == "verdict"] == [True, True]
    with pytest.raises(Conflict, match="verdict"):
        bench.work.undo("verdict", int(wrong.id or 0))
    with pytest.raises(NotFound, match="verdict"):
        bench.work.undo("verdict", 999)


def test_a_verdict_goes_with_its_coat(bench: Bench) -> None:
    piece = bench.sealed()
    said = bench.work.verdicts.record(piece, "gummed")
    bench.work.undo("coat", said.coat_id)
    found = bench.work.verdicts.learning(SEALER)
    assert (found.told, found.after) == ((), found.before)


def test_nothing_is_learned_from_a_coat_whose_air_was_not_read(bench: Bench) -> None:
    piece = bench.piece()
    bench.work.record_coat(piece)
    bench.pass_time(10)
    bench.pass_time(120, silent=True)
    bench.read()
    before = bench.desk.card(piece)
    said = bench.work.verdicts.record(piece, "gummed")
    assert said.gap_h == pytest.approx(2.0)  # of 130 minutes
    found = bench.work.verdicts.learning(SEALER)
    assert found.told[0].left_out.startswith("no readings for 2.0 h")
    assert found.after == found.before
    # That coat is held back all the same: it gummed, wherever its clock stood.
    assert wait_h(bench.desk.card(piece)) > max(wait_h(before), said.hours)
    bench.work.undo("verdict", int(said.id or 0))
    assert wait_h(bench.desk.card(piece)) == wait_h(before)


def test_readings_that_come_late_let_a_verdict_count_after_all(bench: Bench) -> None:
    piece = bench.piece()
    bench.work.record_coat(piece)
    bench.pass_time(10)
    bench.pass_time(120, silent=True)
    bench.read()
    bench.work.verdicts.record(piece, "gummed")
    assert bench.work.verdicts.catch_up() == 0
    now = bench.clock.now()
    late = [
        NewReading("booth", "wall", now - timedelta(minutes=m), now, 22.5, 45.0)
        for m in range(115, 0, -5)
    ]
    with bench.db.write() as session:
        readings.record_batch(session, late)
    settle_all(bench.db)
    assert bench.work.verdicts.catch_up() == 1
    (told,) = bench.work.verdicts.learning(SEALER).told
    assert (told.left_out, told.gap_h) == ("", 0.0)
    assert told.hours == pytest.approx(130 / 60, rel=1e-6)
    assert bench.work.verdicts.catch_up() == 0


def test_nothing_is_learned_where_there_was_no_air_at_all(bench: Bench) -> None:
    bench.work.add_place("loft", kind="rack")
    row = bench.work.add_instrument(
        shop_number="50", kind="lute", schedule_id="lacquer-clear", place_id="loft"
    )
    bench.work.record_coat(int(row.id or 0))
    bench.clock.advance(hours=2)
    said = bench.work.verdicts.record(int(row.id or 0), "soft")
    assert (said.hours, said.gap_h) == (0.0, 2.0)
    assert bench.work.verdicts.learning(SEALER).told[0].left_out


def test_a_verdict_may_be_entered_afterwards_on_an_earlier_coat(bench: Bench) -> None:
    piece = bench.sealed(minutes=60)
    first = bench.desk.card(piece).last_coat_id
    bench.work.record_coat(piece, material_id="nitro-lacquer-gun")
    bench.pass_time(30)
    half_way = bench.clock.now() - timedelta(minutes=60)
    said = bench.work.verdicts.record(piece, "clean", at=half_way)
    assert said.coat_id == first
    assert (said.mark, said.hours) == ("sand", pytest.approx(0.5, rel=1e-6))
    # Named outright: on the sealer all the same, when lacquer already lies over it.
    late = bench.work.verdicts.record(piece, "printed", coat_id=first)
    assert (late.material_id, late.mark) == (SEALER, "handle")


def test_what_cannot_be_is_refused_by_the_field_that_holds_it(bench: Bench) -> None:
    piece = bench.sealed()
    record = bench.work.verdicts.record
    with pytest.raises(BadInput, match="said"):
        record(piece, "lovely")
    with pytest.raises(BadInput, match=r"mark: .*handle, recoat, sand"):
        record(piece, "soft", mark="rub_out")
    with pytest.raises(BadInput, match="coat"):
        record(piece, "soft", coat_id=99)
    with pytest.raises(BadInput, match="coat: no coat"):
        record(bench.piece("42"), "soft")
    with pytest.raises(BadInput, match="at"):
        record(piece, "soft", at=bench.clock.now() + timedelta(hours=1))
    with pytest.raises(BadInput, match="at"):
        record(piece, "soft", at=bench.clock.now() - timedelta(hours=1), coat_id=1)
    with pytest.raises(NotFound, match="instrument"):
        record(999, "soft")
    with pytest.raises(NotFound, match="material"):
        bench.work.verdicts.learning("moonshine")
    toned = bench.piece("43")
    bench.work.record_coat(toned, material_id="toner-can")
    with pytest.raises(BadInput, match="mark: say which"):
        record(toned, "clean")
    assert record(toned, "clean", mark="recoat").mark == "recoat"
    assert bench.work.verdicts.learning(SEALER).told == ()


def test_a_new_version_of_the_figures_is_judged_by_what_was_seen(bench: Bench) -> None:
    piece = bench.sealed()
    bench.work.verdicts.record(piece, "gummed")  # at 40 min, not yet
    slower = bench.work.verdicts.learning(SEALER).after.middle
    # The can's data sheet says an hour and a half: then 40 min too early is no surprise.
    bench.work.recipes.enter_figures(
        SEALER,
        marks={"sand": {"hours": 1.5, "low": 1.2, "high": 1.9}},
        limits={},
        basis="data sheet, March",
    )
    assert bench.work.verdicts.learning(SEALER).after.middle < slower
    # The coat that lies there keeps the figures it was put on by, and what was learned on them.
    assert wait_h(bench.desk.card(piece)) > 0.62


def test_after_the_paper_gummed_the_card_does_not_say_ready(bench: Bench) -> None:
    first, second = bench.sealed("41"), bench.sealed("42")
    assert [bench.desk.card(p).act.state for p in (first, second)] == ["ready", "ready"]
    said = bench.work.verdicts.record(first, "gummed")
    held = bench.desk.card(first)
    assert held.act.state == "waiting"
    assert wait_h(held) > said.hours
    # It is that coat's own time that is longer; the other one's goes by what the shop has learned.
    assert wait_h(bench.desk.card(second)) < wait_h(held)
    bench.pass_time(15)
    assert bench.desk.card(first).act.state == "ready"
    bench.work.verdicts.record(first, "gummed")
    assert bench.desk.card(first).act.state == "waiting"
    bench.work.verdicts.record(first, "clean")
    assert bench.desk.card(first).act.wait is not None
    assert wait_h(bench.desk.card(first)) < wait_h(held)
