"""A planned move that falls due: told once, counted as planned until somebody says when it was."""

from __future__ import annotations

from datetime import timedelta
from typing import NamedTuple

import pytest
from equipment import SetClock

from service.store.catalogue import load_catalogue
from service.store.db import Database
from service.store.desk import Desk, ShopFacts
from service.store.errors import BadInput, Conflict, NotFound
from service.store.notice_book import NoticeBook
from service.store.tables import Notice
from service.store.work import Work


class Bench(NamedTuple):
    clock: SetClock
    desk: Desk
    work: Work
    book: NoticeBook

    def told(self) -> list[Notice]:
        return [notice for notice in self.book.look() if notice.kind == "move-due"]

    def stands(self) -> list[tuple[str, str]]:
        return [(e.text, f"{e.at:%H:%M}") for e in self.desk.log(1) if not e.undone]


@pytest.fixture
def bench(database: Database, clock: SetClock) -> Bench:
    """Number 42 hangs in the booth since 09:00, and is to go to the rack at 14:00."""
    catalogue = load_catalogue()
    desk = Desk(database, clock, catalogue, ShopFacts())
    work = Work(database, clock, catalogue, desk)
    work.add_place("booth")
    work.add_place("rack", "Drying rack", "rack")
    work.add_instrument(
        shop_number="42", kind="mandolin", schedule_id="lacquer-clear", place_id="booth"
    )
    work.hang(1, "rack", clock.now() + timedelta(hours=5))
    return Bench(clock, desk, work, NoticeBook(database, clock, catalogue, desk))


def test_it_is_told_once_when_its_time_has_come(bench: Bench) -> None:
    bench.clock.advance(hours=5, seconds=-1)
    assert bench.told() == []
    assert bench.desk.card(1).due_move is None
    bench.clock.advance(seconds=1)
    (notice,) = bench.told()
    assert notice.text == (
        "Move No. 42 (mandolin) to Drying rack now: planned for 2026-03-02T14:00Z"
    )
    assert (notice.instrument_id, notice.place_id) == (1, "rack")
    assert notice.data["move"] == "2"
    due = bench.desk.card(1).due_move
    assert due is not None
    assert (due.id, due.place_id) == (2, "rack")
    bench.clock.advance(hours=1)
    assert bench.told() == []
    assert bench.desk.card(1).due_move == due


def test_after_half_a_day_it_is_left_at_that(bench: Bench) -> None:
    bench.clock.advance(hours=17, seconds=1)  # nobody looked all the while
    assert bench.told() == []
    card = bench.desk.card(1)
    assert (card.due_move, card.place_id) == (None, "rack")


def test_what_is_said_of_it_counts_and_sees_to_the_notice(bench: Bench) -> None:
    bench.clock.advance(hours=5)
    assert len(bench.told()) == 1
    bench.clock.advance(minutes=20)
    bench.work.moves.made(2)
    assert bench.stands() == [("hung in rack", "14:20"), ("hung in booth", "09:00")]
    assert bench.desk.card(1).due_move is None
    assert bench.desk.notices(unseen_only=True) == []
    bench.clock.advance(hours=1)
    assert bench.work.moves.made(2).from_at == bench.clock.now() - timedelta(hours=1)  # said twice
    assert bench.told() == []


def test_taken_back_it_is_planned_as_it_was(bench: Bench) -> None:
    bench.clock.advance(hours=5, minutes=20)
    bench.work.moves.made(2)
    bench.work.undo("moved", 2)
    assert bench.stands()[0] == ("hung in rack", "14:00")
    due = bench.desk.card(1).due_move
    assert due is not None
    assert due.id == 2
    with pytest.raises(Conflict, match="nobody has said"):
        bench.work.undo("moved", 2)


def test_it_may_be_made_before_its_time(bench: Bench) -> None:
    bench.clock.advance(hours=4)
    bench.work.moves.made(2)
    card = bench.desk.card(1)
    assert (card.place_id, card.moves, card.due_move) == ("rack", (), None)
    bench.clock.advance(hours=2)
    assert bench.told() == []


def test_a_tap_that_waited_counts_with_its_own_time(bench: Bench) -> None:
    bench.clock.advance(hours=7)
    bench.work.moves.made(2, bench.clock.now() - timedelta(hours=1, minutes=50))
    assert bench.stands()[0] == ("hung in rack", "14:10")


def test_no_move_is_due_that_goes_nowhere_or_was_overtaken(bench: Bench) -> None:
    bench.clock.advance(hours=4)
    bench.work.hang(1, "rack")  # by hand, an hour early
    bench.clock.advance(hours=1)
    assert bench.told() == []
    bench.work.hang(1, "booth", bench.clock.now() + timedelta(hours=1))
    bench.clock.advance(hours=1)
    assert len(bench.told()) == 1
    bench.clock.advance(minutes=1)
    bench.work.hang(1, "rack")  # and elsewhere since
    assert bench.desk.card(1).due_move is None


def test_what_was_never_planned_or_is_no_move_any_more_is_refused(bench: Bench) -> None:
    with pytest.raises(NotFound, match="no move 1 was planned"):
        bench.work.moves.made(1)
    with pytest.raises(NotFound, match="another piece"):
        bench.work.moves.made(2, instrument_id=7)
    with pytest.raises(BadInput, match="in the future"):
        bench.work.moves.made(2, bench.clock.now() + timedelta(hours=1))
    bench.clock.advance(hours=6)
    bench.work.hang(1, "booth")
    bench.clock.advance(hours=1)
    with pytest.raises(Conflict, match="hung elsewhere meanwhile"):
        bench.work.moves.made(2)
    bench.work.undo("hung", 2)
    with pytest.raises(Conflict, match="taken back"):
        bench.work.moves.made(2)
