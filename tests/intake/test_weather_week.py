"""A week of an open weather year, replayed at 3600 times real time through the whole intake.

The file (typical year of a station in North Carolina, carried by the package pvlib) has a dew-point
column of its own; ours, reckoned from its temperature and humidity after the way over MQTT, the
checks and the database, is compared with it.
"""

from __future__ import annotations

import subprocess
import sys
from datetime import datetime
from pathlib import Path

import psychrolib
import pytest
from equipment import Mosquitto, eventually
from running import Service

from sensors.series import load_series

STATION = "pvlib:723170TYA"
FIRST, SECOND, HOURS = "2001-06-04", "2001-06-05", 168

pytestmark = [pytest.mark.real, pytest.mark.slow]


def test_a_replayed_week_has_the_dew_points_of_the_file(
    tmp_path: Path, mosquitto: Mosquitto, capsys: pytest.CaptureFixture[str]
) -> None:
    data = tmp_path / "data"
    data.mkdir()
    service = Service(data, mosquitto.url, start="2001-06-01T00:00:00Z")
    service.start()
    try:
        # A day as it goes, an hour a second; the other six without waiting, as if kept back.
        replay(mosquitto, FIRST, 24, "--speed", "3600", "--drive", service.base)
        service.forward(days=7)
        replay(mosquitto, SECOND, HOURS - 24, "--speed", "0")
        eventually(
            lambda: service.get("health")["mqtt"]["recorded"] == HOURS, 20, "all hours are kept"
        )
        kept = service.get(
            "places/door/history?from=2001-06-03T00:00:00Z&to=2001-06-13T00:00:00Z&resolution=raw"
        )
        health = service.get("health")
    finally:
        service.stop()
    rows = kept["rows"] if isinstance(kept, dict) else kept
    assert health["mqtt"]["rejected"] == 0
    assert len(rows) == HOURS

    known = {row.at.timestamp(): row for row in load_series(STATION)}
    psychrolib.SetUnitSystem(psychrolib.SI)
    errors = []
    for row in rows:
        file_row = known[_epoch(row["at"])]
        assert file_row.dew_point_c is not None
        error = row["dew_point_c"] - file_row.dew_point_c
        errors.append(abs(error))
        # The file rounds humidity to 1 %, temperature and dew point to 0.1 K: half a step of each,
        # by a reference library, and 0.1 K for the file's own dew-point formula.
        steps = [
            psychrolib.GetTDewPointFromRelHum(row["air_c"], min(1.0, (row["rh_pct"] + s) / 100.0))
            for s in (-0.5, 0.5)
        ]
        assert abs(error) <= (steps[1] - steps[0]) / 2 + 0.05 + 0.05 + 0.1
    mean, worst = sum(errors) / len(errors), max(errors)
    with capsys.disabled():
        print(f"\ndew point over a week of {STATION}: mean error {mean:.3f} K, worst {worst:.3f} K")
    assert mean < 0.2


def replay(broker: Mosquitto, first: str, rows: int, *options: str) -> None:
    subprocess.run(
        [
            str(Path(sys.executable).with_name("boothglass")), "replay", STATION,
            "--first", first, "--rows", str(rows), "--place", "door", "--url", broker.url, *options,
        ],
        check=True,
        timeout=120,
        capture_output=True,
    )  # fmt: skip


def _epoch(instant: str) -> float:
    return datetime.fromisoformat(instant).timestamp()
