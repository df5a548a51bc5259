"""Figures of evidence against plain loops and published values, and its digest against its text."""

from __future__ import annotations

import hashlib
import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from service.shop.evidence.digest import CoatLine, FlawLine, ReadingLine, digest_of, text_of
from service.shop.evidence.plate import wood_course
from service.shop.evidence.rows import Doubt, Rows, air_at, air_span, missing
from service.shop.evidence.swings import largest_change, swings
from service.shop.evidence.waits import mark_before, wait_of
from service.shop.flaws import coated_with
from service.shop.learning import MarkScale
from service.shop.projection import AirCourse, ready_times
from service.shop.schedule import Schedule, Step
from service.shop.wood_watch import Plate
from service.store.catalogue import load_catalogue

START = datetime(2026, 3, 2, tzinfo=UTC)
SURE = {"booth": Doubt(0.3, 2.0), "rack": Doubt(0.5, 3.0)}


def row(minutes: float, air_c: float, rh_pct: float, count: int = 5, **more: Any) -> dict[str, Any]:
    return {
        "at": START + timedelta(minutes=minutes),
        "count": count,
        "flagged": 0,
        "left_out": 0,
        "air_c": {"min": air_c - 0.5, "mean": air_c, "max": air_c + 0.7},
        "rh_pct": {"min": rh_pct - 2, "mean": rh_pct, "max": rh_pct + 3},
        "surface_c": None,
        "dew_point_c": 10.0,
    } | more


def rows_of(*rows: dict[str, Any], place: str = "booth", step_s: float = 300.0) -> Rows:
    return Rows.of(step_s, [(place, one) for one in rows])


def span(rows: Rows, minutes: float, until_minutes: float) -> Any:
    begin = START.timestamp()
    return air_span(rows, begin + 60 * minutes, begin + 60 * until_minutes, SURE)


def test_a_span_weighs_each_row_by_its_readings_and_stops_before_its_end() -> None:
    rows = rows_of(row(0, 20, 40, 1), row(5, 23, 46, 2), row(10, 99, 99))
    found = span(rows, 0, 10)
    assert found.readings == 3
    assert found.air_c.mean == pytest.approx((20 + 2 * 23) / 3)
    assert (found.air_c.min, found.air_c.max) == (19.5, 23.7)
    assert found.rh_pct.mean == pytest.approx((40 + 2 * 46) / 3)
    # The spread of 20, 23, 23 about 22: the square root of (4 + 1 + 1) / 3.
    assert found.air_c.sd == pytest.approx(math.sqrt(2.0))
    assert found.missing_share == 0.0
    assert (found.air_sd_k, found.rh_sd_pct) == (0.3, 2.0)


def test_a_span_says_what_is_doubtful_and_what_is_left_out() -> None:
    rows = rows_of(row(0, 20, 40, 3, flagged=2), row(5, 20, 40, 4, left_out=1))
    found = span(rows, 0, 10)
    assert (found.flagged, found.left_out, found.flagged_share) == (2, 1, 2 / 8)


def test_a_span_without_readings_knows_nothing_and_says_so() -> None:
    found = span(rows_of(row(0, 20, 40)), 60, 120)
    assert found.air_c is found.rh_pct is found.dew_point_c is found.air_sd_k is None
    assert (found.readings, found.missing_share, found.bridged_share) == (0, 1.0, 0.0)
    assert found.flagged_share is None


def test_the_least_sure_sensor_speaks_where_a_piece_was_moved() -> None:
    rows = Rows.of(300.0, [("booth", row(0, 20, 40)), ("rack", row(5, 21, 41))])
    found = span(rows, 0, 10)
    assert found.places == ("booth", "rack")
    assert (found.air_sd_k, found.rh_sd_pct) == (0.5, 3.0)


@pytest.mark.parametrize(
    ("starts_min", "gone_min", "bridged_min"),
    [
        ([0, 5, 10, 355], 340, 340),  # a hole between readings
        ([0, 60, 120, 180, 240, 300, 355], 0, 0),  # an hour apart is no hole
        ([100, 105, 355], 345, 245),  # nothing at the start either
        ([0, 5], 350, 0),  # nothing after it: not bridged
        ([], 360, 0),
    ],
)
def test_what_no_reading_covers_is_counted(
    starts_min: list[float], gone_min: float, bridged_min: float
) -> None:
    found = missing(60.0 * np.array(starts_min, dtype=float), 300.0, 0.0, 360 * 60.0)
    assert found == (gone_min * 60.0, bridged_min * 60.0)


def test_the_air_of_a_coat_is_that_of_its_five_minutes_or_of_the_nearest() -> None:
    rows = rows_of(row(0, 20, 40), row(5, 21, 41), row(30, 25, 45))
    begin = START.timestamp()

    def at(minutes: float) -> Any:
        return air_at(rows, begin + 60 * minutes, "booth", SURE)

    assert (at(7).air_c, at(7).apart_s) == (21.0, 0.0)
    assert (at(18).air_c, at(18).apart_s) == (21.0, 480.0)
    assert at(26).air_c == 25.0
    assert at(51) is None  # sixteen minutes after the last of them
    assert air_at(rows, begin, "rack", SURE) is None


def test_a_surface_that_was_not_measured_is_taken_as_the_airs_and_is_less_sure() -> None:
    begin = START.timestamp()
    bare = air_at(rows_of(row(0, 20, 50)), begin, "booth", SURE)
    seen = air_at(rows_of(row(0, 20, 50, surface_c=18.0)), begin, "booth", SURE)
    assert bare is not None
    assert seen is not None
    assert (bare.surface_c, bare.surface_measured) == (20.0, False)
    assert (seen.surface_c, seen.dew_point_margin_k) == (18.0, 8.0)
    assert bare.dew_point_margin_sd_k > 0.5  # half a kelvin for the surface alone


def hourly(air_c: Any, rh_pct: Any, first_h: int = 0) -> Rows:
    return rows_of(
        *(
            row(60 * (first_h + n), a, r)
            for n, (a, r) in enumerate(zip(air_c, rh_pct, strict=True))
            if not math.isnan(a)
        ),
        step_s=3600.0,
    )


def test_the_largest_change_is_what_a_plain_search_finds() -> None:
    rng = np.random.default_rng(4)
    value = np.cumsum(rng.normal(0, 1, 90))
    value[30:41] = math.nan
    there = ~np.isnan(value)
    time_s = 3600.0 * np.arange(90)
    found = largest_change(time_s[there], value[there])
    pairs = [
        (abs(value[j] - value[i]), i, j)
        for i in range(90)
        for j in range(i + 1, min(i + 24, 89) + 1)
        if there[i] and there[j]
    ]
    size, i, j = max(pairs)
    assert found is not None
    assert abs(found.change) == pytest.approx(size)
    assert (found.from_at.timestamp(), found.until_at.timestamp()) == (3600.0 * i, 3600.0 * j)
    assert largest_change(time_s[:1], value[:1]) is None


def test_weeks_that_turn_dry_are_seen_and_short_records_say_nothing() -> None:
    # A fortnight at 60 % and a fortnight at 40 %: the week's mean falls by twenty and never rises.
    rh = np.where(np.arange(28 * 24) < 14 * 24, 60.0, 40.0)
    rows = hourly(np.full(rh.size, 20.0), rh)
    begin, end = START.timestamp(), START.timestamp() + rh.size * 3600
    found = swings(rows, end - 86_400, end, begin)
    assert found is not None
    assert found.dried_pct == pytest.approx(20.0)
    assert found.wetted_pct == pytest.approx(0.0)
    short = swings(rows, end - 86_400, end, end - 7 * 86_400)
    assert short is not None
    assert short.dried_pct is None
    assert swings(rows, end + 86_400, end + 2 * 86_400, begin) is None


def test_a_plate_comes_to_the_handbooks_moisture_and_moves_by_its_coefficient() -> None:
    """Wood Handbook (FPL-GTR-190) Table 4-2, 70 °F: 6.2 % at 30 % RH, 12.0 % at 65 % (12-3)."""
    # Three weeks dry before the first coat, five weeks damp after it.
    hours = 56 * 24
    rh = np.where(np.arange(hours) < 21 * 24, 30.0, 65.0)
    rows = hourly(np.full(hours, 21.11), rh)
    first = START.timestamp() + 21 * 86_400.0
    plate = Plate("41", "Sitka spruce", 2.8, outside="lacquer")
    found = wood_course(rows, plate, first, START.timestamp() + hours * 3600.0)
    assert found is not None
    assert found.first_pct == pytest.approx(6.2, abs=0.2)
    assert found.last_pct == pytest.approx(12.0, abs=0.2)
    # Table 13-5: Sitka spruce, radial 0.00148 per % (from memory).
    assert found.moved_mm == pytest.approx(380 * 0.00148 * found.change_pct, rel=0.02)
    assert len(found.points) <= 121
    lagging = [p.moisture_pct for p in found.points]
    assert lagging == sorted(lagging)
    assert wood_course(hourly([20.0], [40.0]), plate, START.timestamp(), first) is None


CATALOGUE = load_catalogue()
LACQUER = CATALOGUE.materials["nitro-lacquer-gun"]


def test_a_wait_is_told_beyond_its_end_and_with_its_doubt() -> None:
    law = LACQUER.drying
    time_s = START.timestamp() + np.arange(0, 6 * 3600.0, 300.0)
    still = AirCourse(
        time_s, np.full(time_s.size, law.reference_c), np.full(time_s.size, law.reference_rh_pct)
    )

    def waited(hours: float, scales: Any = None) -> Any:
        at = START + timedelta(hours=hours)
        times = ready_times(
            LACQUER, coat_at=START, film_um=law.reference_film_um, air=still, now=at,
            scales=scales or {},
        )  # fmt: skip
        return wait_of(7, START, at, "recoat", times, LACQUER, scales or {})

    half, long = waited(0.5), waited(3.0)
    # In reference air, an hour from coat to coat (common practice).
    assert half.clock == pytest.approx(0.5, abs=0.01)
    assert long.clock == pytest.approx(3.0, abs=0.02)
    assert half.clock_low < half.clock < half.clock_high
    assert half.closed_part is None
    slow = waited(0.5, {"recoat": MarkScale("recoat", 2.0, 1.8, 2.2, 0.1)})
    assert slow.clock == pytest.approx(0.25, abs=0.01)


def test_a_window_that_closes_again_is_told_as_a_part_of_it() -> None:
    material = CATALOGUE.materials["two-part-polyurethane-gun"]
    mark, law = material.marks["recoat"], material.drying
    assert mark.closes_hours is not None
    hours = 1.5 * mark.closes_hours
    time_s = START.timestamp() + np.linspace(0, hours * 3600.0, 400)
    still = AirCourse(time_s, np.full(400, law.reference_c), np.full(400, law.reference_rh_pct))
    at = START + timedelta(hours=hours)
    times = ready_times(material, coat_at=START, film_um=law.reference_film_um, air=still, now=at)
    found = wait_of(1, START, at, "recoat", times, material, {})
    assert found is not None
    # In reference air reference hours are hours.
    assert found.closed_part == pytest.approx(1.5, abs=0.01)
    assert found.clock == pytest.approx(hours / mark.hours, rel=0.01)


def test_a_wait_without_air_or_mark_is_not_known() -> None:
    empty = np.empty(0)
    times = ready_times(
        LACQUER, coat_at=START, film_um=100, air=AirCourse(empty, empty, empty), now=START
    )
    assert wait_of(1, START, START, "recoat", times, LACQUER, {}) is None
    assert wait_of(1, START, START, "no such mark", times, LACQUER, {}) is None


def test_the_mark_before_a_step_is_its_own_or_that_of_the_wait_before_it() -> None:
    schedule = CATALOGUE.schedules["lacquer-clear"]

    def mark(key: str, **more: Any) -> str | None:
        return mark_before(schedule, schedule.step(key), **more)

    assert mark("scuff") == "sand"
    assert mark("clear", recoat=True) == "recoat"
    assert mark("level") == mark("rub") == "rub_out"
    assert mark("mask") is None
    assert mark_before(None, None) is None
    bare = Schedule("x", "x", (Step("level", "level_sand", "Level"),))
    assert mark_before(bare, bare.steps[0]) is None


@pytest.mark.parametrize(
    ("said", "parts"),
    [("Top", ("top",)), ("edge", ("top", "back", "sides")), ("", ()), ("by the soundhole", ())],
)
def test_a_spot_is_coated_with_the_parts_it_belongs_to(said: str, parts: tuple[str, ...]) -> None:
    assert coated_with(said) == parts


FLAW = FlawLine("41", "top", START)
COAT = CoatLine(3, START, "booth", "lacquer", None, "A\t1", 80.0, 5.0, ("back", "top"), "-")
READINGS = (
    ReadingLine(1_000, "booth", "wall", 200_000, 450_000, None),
    ReadingLine(1_000, "booth", "bench", 201_000, 450_000, 190_000),
)


def test_the_digest_is_that_of_its_text() -> None:
    text = (
        "boothglass evidence 1\n"
        "flaw\t41\ttop\t2026-03-02T00:00:00.000+00:00\n"
        "coat\t3\t2026-03-02T00:00:00.000+00:00\tbooth\tlacquer\t-\tA\\t1\t80.0\t5.0\tback+top\t\\-\n"
        "reading\t1000\tbooth\tbench\t201000\t450000\t190000\n"
        "reading\t1000\tbooth\twall\t200000\t450000\t-\n"
    )
    assert text_of(FLAW, [COAT], READINGS) == text
    found = digest_of(FLAW, [COAT], READINGS)
    assert found.sha256 == hashlib.sha256(text.encode()).hexdigest()
    assert (found.coats, found.readings) == (1, 2)


def test_order_and_repeats_do_not_matter_and_everything_else_does() -> None:
    same = digest_of(FLAW, [COAT], [*reversed(READINGS), READINGS[0]])
    assert same == digest_of(FLAW, [COAT], READINGS)
    others = [
        digest_of(FLAW, [COAT], READINGS[:1]),
        digest_of(FLAW, [COAT], [READINGS[0], replace(READINGS[1], rh=450_001)]),
        digest_of(FLAW, [replace(COAT, wet_um=80.1)], READINGS),
        digest_of(FLAW, [replace(COAT, batch="A\\t1")], READINGS),
        digest_of(replace(FLAW, part=""), [COAT], READINGS),
    ]
    assert len({d.sha256 for d in [same, *others]}) == 6
