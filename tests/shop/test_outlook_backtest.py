"""The backtest command: its rows, its promise to score alike, and what it says of a bad file."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from outlook_series import known_series
from typer.testing import CliRunner

from service.backtest import HORIZONS_H, MODELS, BacktestError, backtest, run
from service.cli import cli
from service.science import air


def written(path, days, *, pressure=False):
    made = known_series(days)
    rh = np.asarray(air.rh_at_dew_point(made.air_c, made.dew_point_c))
    lines = ["at,air_c,rh_pct" + (",pressure_pa" if pressure else "")]
    for at, t, r in zip(made.time_s, made.air_c, rh, strict=True):
        when = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=at)
        lines.append(f"{when.isoformat()},{t:.3f},{r:.3f}" + (",101300" if pressure else ""))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


@pytest.mark.parametrize("pressure", [False, True])
def test_json_has_a_row_for_each_quantity_horizon_and_model(tmp_path, pressure):
    file = written(tmp_path / "air.csv", 45, pressure=pressure)
    got = CliRunner().invoke(cli, ["backtest", str(file), "--json"])
    assert got.exit_code == 0, got.output
    rows = json.loads(got.stdout)
    keys = {(row["series"], row["horizon_h"], row["model"]) for row in rows}
    wanted = {
        (series, horizon_h, model)
        for series in ("air_c", "dew_point_c", "margin_k")
        for horizon_h in HORIZONS_H
        for model in MODELS
    }
    assert keys == wanted
    assert len(rows) == len(wanted)
    for row in rows:
        # A median's mean error is at least the score of the whole distribution, bar rounding.
        assert 0.0 < row["crps"] <= row["mae"] * 1.02
        assert 0.0 <= row["coverage_80"] <= 1.0
    assert len({row["origins"] for row in rows if row["horizon_h"] == 1}) == 1
    assert "origins" in got.stderr


def test_table_prints_every_model(tmp_path):
    got = CliRunner().invoke(cli, ["backtest", str(written(tmp_path / "air.csv", 40))])
    assert got.exit_code == 0, got.output
    told = [line[6:27].strip() for line in got.stdout.splitlines() if "%" in line]
    assert sorted(name for name in told if name != "model") == sorted(
        3 * len(HORIZONS_H) * list(MODELS)
    )


def test_persistence_has_the_score_its_law_gives():
    """An anomaly that fades by 0.9 an hour, and no course: persistence is off by a normal error of
    spread s sqrt(2 (1 - 0.9^h)), and scores that over sqrt(pi) (Gneiting and Raftery 2007)."""
    made = known_series(200, seed=3)
    scores = backtest(made, horizons_h=(3,), every_h=5)
    got = next(s for s in scores if (s.series, s.model) == ("dew_point_c", "persistence"))
    spread = 2.0 * np.sqrt(2 * (1 - 0.9**3))
    # 660 origins, partly dependent: a standard error of some 4 %.
    assert got.crps == pytest.approx(spread / np.sqrt(np.pi), rel=0.12)
    assert got.mae == pytest.approx(spread * np.sqrt(2 / np.pi), rel=0.12)
    assert got.coverage_80 == pytest.approx(0.8, abs=0.06)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("at,air_c\n", "line 1: no column rh_pct"),
        ("at,air_c,rh_pct\n2024-01-01T00:00Z,20,50\n2024-01-01T01:00Z,x,50\n", "line 3: air_c"),
        ("at,air_c,rh_pct\n2024-01-01T00:00Z,20,500\n", "line 2: rh_pct: 500"),
        ("at,air_c,rh_pct\n2024-01-01T00:00Z,20,5\n2024-01-01T00:00Z,20,5\n", "line 3: at"),
        ("at,air_c,rh_pct\n2024-01-01T00:00,20,5\n", "line 2: at"),
        ("at,air_c,rh_pct,pressure_pa\n2024-01-01T00:00Z,20,5,1013\n", "line 2: pressure_pa"),
        ("at,air_c,rh_pct\n2024-01-01T00:00Z,20,50\n", "origins"),
    ],
)
def test_a_bad_file_is_told_by_line_and_column(tmp_path, text, said):
    file = tmp_path / "bad.csv"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(BacktestError, match=said):
        run(str(file), as_json=True)
    got = CliRunner().invoke(cli, ["backtest", str(file)])
    assert got.exit_code == 2
    assert said in got.stderr
    assert got.stdout == ""


def test_a_file_that_is_not_there(tmp_path):
    got = CliRunner().invoke(cli, ["backtest", str(tmp_path / "none.csv")])
    assert got.exit_code == 2
    assert "none.csv" in got.stderr
