"""Windows found in paths whose answers are written out by hand."""

from __future__ import annotations

import numpy as np
import pytest

from service.shop.outlook import Paths, likely_windows


def paths_of(horizons, count=4):
    shape = (count, len(horizons))
    return Paths(1000.0, np.array(horizons, dtype=float), np.full(shape, 20.0), np.zeros(shape))


def test_a_window_spans_the_likely_steps_with_its_chances():
    paths = paths_of([1, 2, 3, 4, 5])
    allowed = np.array(
        [
            [0, 1, 1, 0, 0],
            [0, 1, 1, 0, 0],
            [0, 1, 0, 1, 0],
            [0, 0, 1, 0, 0],
        ],
        dtype=bool,
    )
    (window,) = likely_windows(paths, allowed)
    assert (window.start_s, window.end_s) == (1000.0 + 1.5 * 3600, 1000.0 + 3.5 * 3600)
    assert window.probability == 0.75
    assert window.throughout == 0.5


def test_windows_reach_from_now_to_the_end_and_short_ones_are_left_out():
    paths = paths_of([0.25, 0.5, 0.75, 2.0])
    always = np.ones((4, 4), dtype=bool)
    (window,) = likely_windows(paths, always)
    assert (window.start_s, window.end_s) == (1000.0, 1000.0 + 7200.0)
    assert window.throughout == 1.0
    brief = always.copy()
    brief[:, 1:] = False
    assert likely_windows(paths, brief) == ()
    assert len(likely_windows(paths, brief, shortest_h=0.1)) == 1


def test_where_nothing_is_likely_there_is_no_window():
    assert likely_windows(paths_of([1, 2]), np.zeros((4, 2), dtype=bool)) == ()


def test_answers_of_another_shape_are_refused():
    with pytest.raises(ValueError, match=r"^allowed"):
        likely_windows(paths_of([1, 2]), np.zeros((4, 3), dtype=bool))
    with pytest.raises(ValueError, match=r"^at_least"):
        likely_windows(paths_of([1, 2]), np.zeros((4, 2), dtype=bool), at_least=0.0)
