"""A year of eight sensors at 30 s: its bytes, its charts over HTTP, the service's memory.

The year is built once, which takes some twenty minutes, and kept in ``HISTORY_BENCH_FOLDER``; by
default in the machine's folder for temporary files.
"""

from __future__ import annotations

import os
import sys
import tempfile
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "deploy"))
import history_table as bench

pytestmark = pytest.mark.bench

FOLDER = Path(os.environ.get("HISTORY_BENCH_FOLDER", Path(tempfile.gettempdir()) / "history-bench"))


@pytest.fixture(scope="module")
def measured() -> bench.Measured:
    found = bench.measure(FOLDER)
    print("\n" + bench.table(found))
    return found


def test_a_reading_takes_less_than_forty_bytes_with_its_key(measured):
    for name, size in measured.sizes.items():
        assert size.reading < 40.0, name


def test_any_chart_comes_within_a_tenth_of_a_second(measured):
    # Processor time of the service: what a quiet machine would take, whatever else runs on this.
    for (sensors, span), answer in measured.charts.items():
        assert answer.processor_ms < 100.0, f"{span} of {sensors}"
        assert answer.rows <= 600


def test_the_service_stays_small(measured):
    for when, megabytes in measured.rss_mb.items():
        assert megabytes < 200.0, when
