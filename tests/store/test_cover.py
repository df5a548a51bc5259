"""A span is covered without gap or overlap, with roll-ups only where they hold."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from service.store.cover import Piece, cover
from service.store.marks import HOUR_MS, runs

STEPS_S = (300, 3600, 21_600, 86_400)
instants = st.integers(0, 40 * 24 * HOUR_MS)


@given(
    ends=st.tuples(instants, instants).map(sorted),
    cuts=st.lists(instants, max_size=4),
    hours=st.sets(st.integers(0, 40 * 24).map(lambda h: h * HOUR_MS), max_size=12),
    finest=st.integers(0, 4),
)
def test_whole_and_only_where_it_holds(ends, cuts, hours, finest):
    start, end = ends
    unsettled = list(runs(sorted(hours)))
    pieces = cover(start, end, STEPS_S[:finest], cuts=cuts, unsettled=unsettled)
    at = start
    for piece in pieces:
        assert piece.start == at < piece.end
        at = piece.end
        if piece.step_s is not None:
            step_ms = piece.step_s * 1000
            assert piece.start % step_ms == piece.end % step_ms == 0
            assert not any(piece.start < cut < piece.end for cut in cuts)
            assert not any(a < piece.end and piece.start < b for a, b in unsettled)
    assert at == end or not pieces


def test_a_month_takes_few_pieces():
    day = 24 * HOUR_MS
    pieces = cover(1, 30 * day + 2 * HOUR_MS, STEPS_S)
    assert [p.step_s for p in pieces] == [None, 300, 3600, 21_600, 86_400, 3600]
    assert pieces[0] == Piece(None, 1, 300_000)


def test_hours_in_a_row_are_one_stretch():
    assert list(runs([0, HOUR_MS, 3 * HOUR_MS])) == [
        (0, 2 * HOUR_MS),
        (3 * HOUR_MS, 4 * HOUR_MS),
    ]
    assert list(runs([])) == []
