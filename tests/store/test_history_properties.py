"""Whatever the span, the step, the corrections and the flags: buckets are those of the readings.

The reference is NumPy over the readings as they lie in the table, none of it by roll-ups.
"""

from __future__ import annotations

from collections import defaultdict
from datetime import UTC, datetime, timedelta

import databases
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlmodel import select

from service.shop.correction import Corrections, Standing
from service.shop.quality import NOT_COUNTED
from service.store import corrections
from service.store.cover import cover
from service.store.db import Database
from service.store.history import history
from service.store.readings import NewReading, record_batch
from service.store.rollups import STEPS_S
from service.store.settling import settle_all
from service.store.tables import Correction, Reading, Sensor

START = datetime(2026, 3, 2, tzinfo=UTC)
DAYS = 4
END_S = DAYS * 86_400


@pytest.fixture(scope="module")
def four_days(tmp_path_factory):
    """Three sensors, each with gaps, spikes and a stuck stretch; one lean, one with a surface."""
    folder = tmp_path_factory.mktemp("four")
    made = Database(databases.fresh(folder))
    batch = []
    for k, (name, every) in enumerate((("wall", 240), ("bench", 420), ("door", 900))):
        rng = np.random.default_rng(k)
        seconds = np.arange(11 * k, END_S, every)
        seconds = seconds[rng.random(seconds.size) > 0.05]
        air = 18 + 0.2 * k + 3 * np.sin(seconds / 13_750) + rng.normal(0, 0.03, seconds.size)
        rh = 55 - 8 * np.sin(seconds / 13_750) + rng.normal(0, 0.15, seconds.size)
        air[rng.choice(seconds.size, 8, replace=False)] += 15.0
        air[-60:], rh[-60:] = air[-60], rh[-60]
        batch += [
            NewReading(
                "booth", name, at, at, round(a, 2), round(r, 1), round(a - 1, 2) if k else None
            )
            for s, a, r in zip(seconds.tolist(), air.tolist(), rh.tolist(), strict=True)
            if (at := START + timedelta(seconds=s, milliseconds=37 * k))
        ]
    with made.write() as session:
        record_batch(session, batch)
        names = {s.name: s.id for s in session.exec(select(Sensor))}
        for name, quantity, hours, slope, offset in (
            ("wall", "air_c", 30.123, 1.02, -0.5),
            ("wall", "rh_pct", 50.5, 0.97, 2.0),
            ("door", "surface_c", 61.0, 1.0, 0.75),
        ):
            corrections.keep(
                session,
                Correction(
                    sensor_id=names[name], quantity=quantity, slope=slope, offset=offset,
                    from_at=START + timedelta(hours=hours), method="typed in", made_at=START,
                ),
            )  # fmt: skip
    settle_all(made)
    with made.read() as session:
        rows = session.exec(select(Reading).order_by(Reading.at, Reading.sensor_id)).all()
        standing = corrections.standing(session, names.values())
    yield made, rows, standing
    made.dispose()


def corrected(row: Reading, known: Corrections) -> tuple[float, float, float | None]:
    """By the definition: the last correction begun holds; humidity is cut to 0 to 100 %."""

    def one(quantity: str, value: float) -> float:
        held = [
            piece
            for piece in known.by_quantity.get(quantity, ())
            if piece.from_s <= row.at.timestamp()
        ]
        last = held[-1] if held else Standing(quantity, 0.0)
        return last.slope * value + last.offset

    rh = min(max(one("rh_pct", row.raw_rh_pct), 0.0), 100.0)
    surface = None if row.surface_c is None else one("surface_c", row.surface_c)
    return one("air_c", row.raw_air_c), rh, surface


def reference(rows, standing, step_s, begin, end):
    """Buckets from single readings: impossible ones left out, sensors mostly in doubt too."""
    cells: dict[tuple[int, int], list[Reading]] = defaultdict(list)
    for row in rows:
        if begin <= row.at <= end:
            bucket = int(row.at.timestamp() * 1000) // (step_s * 1000)
            cells[bucket, row.sensor_id].append(row)
    found = {}
    for bucket in sorted({bucket for bucket, _ in cells}):
        by_sensor = {s: r for (b, s), r in cells.items() if b == bucket}
        good = {
            s: [r for r in own if not (r.flags or 0) & NOT_COUNTED] for s, own in by_sensor.items()
        }
        doubt = {s: sum(bool(r.flags) for r in own) for s, own in good.items()}
        clean = {s for s, own in good.items() if own and 2 * doubt[s] < len(own)}
        used = [r for s, own in good.items() if s in (clean or good) for r in own]
        if not used:
            continue
        values = np.array([corrected(r, standing[r.sensor_id]) for r in used], dtype=np.float64)
        found[datetime.fromtimestamp(bucket * step_s, UTC)] = {
            "count": len(used),
            "flagged": sum(doubt.values()),
            "left_out": sum(len(own) for own in by_sensor.values()) - sum(map(len, good.values())),
            "air_c": (values[:, 0].min(), values[:, 0].mean(), values[:, 0].max()),
            "rh_pct": (values[:, 1].min(), values[:, 1].mean(), values[:, 1].max()),
            "surface_c": None if np.isnan(values[:, 2]).all() else float(np.nanmean(values[:, 2])),
        }
    return found


@settings(max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    step=st.sampled_from(["1m", "7m", "5m", "10m", "15m", "1h", "2h", "6h", "12h", "1d", "90s"]),
    ends_s=st.tuples(st.floats(0, END_S), st.floats(0, END_S)).filter(
        lambda ends: abs(ends[1] - ends[0]) > 60
    ),
)
def test_buckets_over_any_span_are_those_of_the_readings(four_days, step, ends_s):
    database, rows, standing = four_days
    begin, end = (
        START + timedelta(milliseconds=round(1000 * seconds)) for seconds in sorted(ends_s)
    )
    step_s = int(step[:-1]) * {"s": 1, "m": 60, "h": 3600, "d": 86_400}[step[-1]]
    expected = reference(rows, standing, step_s, begin, end)
    with database.read() as session:
        found = history(session, "booth", begin, end, resolution=step).rows
    assert [row["at"] for row in found] == list(expected)
    for row in found:
        wanted = expected[row["at"]]
        for name in ("count", "flagged", "left_out"):
            assert row[name] == wanted[name]
        for name in ("air_c", "rh_pct"):
            # Sums of whole parts are exact; what is left is the rounding of some doubles.
            told = (row[name]["min"], row[name]["mean"], row[name]["max"])
            assert told == pytest.approx(wanted[name], abs=1e-9)
        if wanted["surface_c"] is None:
            assert row["surface_c"] is None
        else:
            assert row["surface_c"] == pytest.approx(wanted["surface_c"], abs=1e-9)


def test_the_reference_saw_flags_of_both_sorts(four_days):
    """Or the property above would say nothing of them."""
    _, rows, standing = four_days
    whole = reference(rows, standing, 86_400, START, START + timedelta(days=DAYS))
    assert sum(bucket["left_out"] for bucket in whole.values()) >= 10
    assert sum(bucket["flagged"] for bucket in whole.values()) >= 30


MILLIS = st.integers(0, 20 * 86_400_000)


@given(
    st.tuples(MILLIS, MILLIS).map(sorted),
    st.integers(0, len(STEPS_S)),
    st.lists(MILLIS, max_size=4),
    st.lists(st.tuples(st.integers(0, 480), st.integers(1, 9)), max_size=3),
)
def test_a_cover_is_whole_and_cuts_where_it_must(span, coarsest, cuts, unsettled_hours):
    hour = 3_600_000
    unsettled = [(a * hour, (a + n) * hour) for a, n in unsettled_hours]
    pieces = cover(*span, STEPS_S[:coarsest], cuts=cuts, unsettled=unsettled)
    at = span[0]
    for piece in pieces:
        assert piece.start == at < piece.end
        at = piece.end
        if piece.step_s is not None:
            assert piece.step_s in STEPS_S[:coarsest]
            assert piece.start % (piece.step_s * 1000) == piece.end % (piece.step_s * 1000) == 0
            assert not any(piece.start < cut < piece.end for cut in cuts)
            assert not any(a < piece.end and piece.start < b for a, b in unsettled)
    assert at == span[1] or span[0] == span[1]
    # And no longer than it must be: single readings only at ends, cuts, and where nothing holds.
    if coarsest and not cuts and not unsettled:
        raw = [piece for piece in pieces if piece.step_s is None]
        assert all(piece.end - piece.start < STEPS_S[0] * 1000 for piece in raw) or len(raw) == 1
