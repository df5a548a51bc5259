"""A flag depends on what lies within reach, and on nothing else: not on the window, nor on the
order in which readings came."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from courses import START_S, course, part, picked
from hypothesis import given, settings
from hypothesis import strategies as st

from service.shop.quality import REACH_AHEAD_S, REACH_BACK_S, Course, flags_of

GAPS_S = st.sampled_from([0.0, 1.0, 20.0, 30.0, 60.0, 60.0, 60.0, 600.0, 3600.0, 9000.0, 40_000.0])
DELAYS_S = st.sampled_from([-100.0, -20.0, 0.3, 0.3, 2.0, 290.0, 310.0, 900.0, 905.0, 86_400.0])
AIR_C = st.sampled_from([20.0, 20.0, 20.0, 20.01, 20.1, 21.5, 24.0, 35.1, 46.0, -40.0])
RH_PCT = st.sampled_from([50.0, 50.0, 50.0, 50.01, 51.0, 58.0, 90.0, 99.0, 105.0, 0.0])


@st.composite
def courses(draw: st.DrawFn, most: int = 60) -> Course:
    """Readings with everything that tells on a flag: gaps, held values, leaps, late ones."""
    runs = draw(
        st.lists(
            st.tuples(st.integers(1, 25), GAPS_S, DELAYS_S, st.booleans(), AIR_C, RH_PCT),
            min_size=1,
            max_size=12,
        )
    )
    gap_s, delay_s, air_c, rh_pct = [], [], [], []
    for count, gap, delay, drains, air, rh in runs:
        for i in range(count):
            gap_s.append(gap)
            delay_s.append(delay - (gap * i if drains else 0.0) * (delay > 300.0))
            air_c.append(air)
            rh_pct.append(rh)
    time_s = np.cumsum(gap_s[:most])
    corrected_s = tuple(draw(st.lists(st.sampled_from(list(time_s)), max_size=2)))
    by_k = draw(st.sampled_from([0.0, 0.5, 3.0]))
    after = sum((time_s >= at).astype(float) for at in corrected_s)
    return course(
        time_s,
        air_c[:most],
        rh_pct[:most],
        delay_s=delay_s[:most],
        battery_pct=draw(st.sampled_from([np.nan, 5.0, 90.0])),
        corrected_by=(by_k * after, 0.0),
        corrected_from_s=corrected_s,
    )


@settings(max_examples=400)
@given(courses(), st.lists(courses(), max_size=2), st.data())
def test_a_window_gives_the_same_flags_as_the_whole(
    whole: Course, mates: Sequence[Course], data: st.DataObject
) -> None:
    first, last = sorted(
        data.draw(st.tuples(*[st.integers(0, whole.time_s.size - 1)] * 2), label="asked")
    )
    from_s, until_s = whole.time_s[first], whole.time_s[last]
    edges = (from_s - REACH_BACK_S, until_s + REACH_AHEAD_S)
    seen = flags_of(part(whole, *edges), [part(mate, *edges) for mate in mates], first_s=from_s)
    asked = (whole.time_s >= from_s) & (whole.time_s <= until_s)
    assert seen[: asked.sum()].tolist() == flags_of(whole, mates)[asked].tolist()


@settings(max_examples=60)
@given(courses(most=40), st.lists(courses(most=40), max_size=1), st.randoms(use_true_random=False))
def test_judged_as_they_come_in_any_order_readings_end_with_the_same_flags(
    whole: Course, mates: Sequence[Course], random: object
) -> None:
    """Each arrival has only those readings judged anew that it can bear on."""
    order = list(range(whole.time_s.size))
    random.shuffle(order)  # type: ignore[attr-defined]
    flags = np.full(whole.time_s.size, -1, dtype=np.int64)
    here = np.zeros(whole.time_s.size, dtype=np.bool_)
    for came in order:
        here[came] = True
        at_s = whole.time_s[came]
        near = here & (whole.time_s >= at_s - REACH_AHEAD_S) & (whole.time_s <= at_s + REACH_BACK_S)
        now = flags_of(picked(whole, here), mates)
        flags[near] = now[near[here]]
    assert flags.tolist() == flags_of(whole, mates).tolist()


@given(courses(), st.lists(courses(), min_size=2, max_size=3), st.randoms(use_true_random=False))
def test_the_order_of_the_mates_does_not_matter(
    whole: Course, mates: list[Course], random: object
) -> None:
    mixed = list(mates)
    random.shuffle(mixed)  # type: ignore[attr-defined]
    assert flags_of(whole, mixed).tolist() == flags_of(whole, mates).tolist()


FINITE = st.floats(-1e6, 1e6, allow_nan=False)


@settings(max_examples=300)
@given(
    st.lists(st.tuples(st.floats(0.0, 1e7, allow_nan=False), FINITE, FINITE, FINITE), max_size=30),
    st.lists(st.tuples(st.floats(0.0, 1e7, allow_nan=False), FINITE, FINITE, FINITE), max_size=5),
    st.tuples(st.floats(1e-3, 1e3), st.floats(1e-3, 1e3)),
)
def test_no_finite_reading_raises(
    rows: list[tuple[float, ...]], others: list[tuple[float, ...]], sd: tuple[float, float]
) -> None:
    made = []
    for table in (rows, others):
        columns = np.array(sorted(table), dtype=float).reshape(-1, 4).T
        made.append(course(columns[0], columns[1], columns[2], delay_s=columns[3], sd=sd))
    flags = flags_of(made[0], [made[1]])
    assert flags.size == len(rows)
    assert ((flags >= 0) & (flags < 512)).all()


@pytest.mark.parametrize("count", [1, 2, 3])
def test_few_readings_are_judged_too(count: int) -> None:
    one = course(60.0 * np.arange(count), 55.0, 0.0)
    assert (flags_of(one, [one]) > 0).all()
    assert one.time_s[0] == START_S
