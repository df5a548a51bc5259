"""Recorded series: what is read, and what an error says."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from sensors.series import SeriesError, filled, load_series, shifted

HEADER = "at,air_c,rh_pct,surface_c,pressure_pa,battery\n"


def written(tmp_path: Path, text: str) -> Path:
    file = tmp_path / "logger.csv"
    file.write_text(text, encoding="utf-8")
    return file


def test_reads_zones_seconds_and_empty_cells_in_order_of_time(tmp_path: Path) -> None:
    file = written(
        tmp_path,
        "\ufeff" + HEADER
        + "2026-03-02T10:00:00+01:00, 21.5 ,48,20.9,101300,3.1\n"
        + "\n"
        + "2026-03-02T08:30:00Z,21,47,,,\n"
        + "1772441970,22,46\n",
    )  # fmt: skip
    rows = load_series(file)
    assert [row.at for row in rows] == [
        datetime(2026, 3, 2, 8, 30, tzinfo=UTC),
        datetime(2026, 3, 2, 8, 59, 30, tzinfo=UTC),  # date -u -d @1772441970
        datetime(2026, 3, 2, 9, 0, tzinfo=UTC),
    ]
    assert (rows[2].air_c, rows[2].rh_pct) == (21.5, 48.0)
    assert (rows[2].surface_c, rows[2].pressure_pa) == (20.9, 101300.0)
    assert rows[0].surface_c is rows[0].pressure_pa is rows[0].dew_point_c is None


@pytest.mark.parametrize("mark", [";", "\t"])
def test_other_separators_go_with_a_decimal_comma(tmp_path: Path, mark: str) -> None:
    text = mark.join(["At", " RH_pct", "air_c"]) + "\n"
    text += mark.join(["2026-03-02T08:00:00Z", "47,5", "21,25"]) + "\n"
    (row,) = load_series(written(tmp_path, text))
    assert (row.air_c, row.rh_pct) == (21.25, 47.5)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", r"line 1: no column at; needed are at, air_c, rh_pct"),
        ("at,air_c\n", r"line 1: no column rh_pct"),
        (HEADER, r"no rows below the header"),
        (HEADER + "2026-03-02T08:00:00Z,warm,47\n", r"line 2: air_c: 'warm' is no number"),
        (HEADER + "2026-03-02T08:00:00Z,21,nan\n", r"line 2: rh_pct: 'nan' is not a finite"),
        (
            HEADER + "2026-03-02T08:00:00Z,21,47\n2026-03-02T09:00:00Z,,47\n",
            r"line 3: air_c is emp",
        ),
        (HEADER + "2026-03-02T08:00:00Z\n", r"line 2: air_c is empty"),
        (HEADER + "2026-03-02 08:00,21,47\n", r"line 2: at: .* has no time zone"),
        (HEADER + "yesterday,21,47\n", r"line 2: at: 'yesterday' is neither"),
        (HEADER + "1e30,21,47\n", r"line 2: at: '1e30' is neither"),
        (HEADER + ",21,47\n", r"line 2: at: '' is neither"),
        (HEADER + "2026-03-02T08:00:00Z,21,47,cold\n", r"line 2: surface_c: 'cold' is no number"),
    ],
)
def test_an_error_names_line_and_column(tmp_path: Path, text: str, says: str) -> None:
    with pytest.raises(SeriesError, match=says):
        load_series(written(tmp_path, text))


def test_a_file_that_is_not_there_or_not_text(tmp_path: Path) -> None:
    with pytest.raises(SeriesError, match="No such file"):
        load_series(tmp_path / "none.csv")
    binary = tmp_path / "picture.csv"
    binary.write_bytes(b"at,air_c,rh_pct\n\xff\xfe\x00")
    with pytest.raises(SeriesError, match="not text in UTF-8"):
        load_series(binary)
    with pytest.raises(SeriesError, match="it carries"):
        load_series("pvlib:atlantis")


def test_a_weather_year_is_a_series_with_its_own_dew_points() -> None:
    rows = load_series("pvlib:723170TYA", year=2015)
    assert len(rows) == 8760
    # First data line of the file: 10.0 °C, dew point 6.1 °C, 77 %, 993 mbar, at 01:00 UTC-5.
    first = rows[0]
    assert first.at == datetime(2015, 1, 1, 6, 0, tzinfo=UTC)
    assert (first.air_c, first.dew_point_c, first.rh_pct) == (10.0, 6.1, 77.0)
    assert first.pressure_pa == pytest.approx(99_300.0)


def test_shifting_keeps_the_distances(tmp_path: Path) -> None:
    file = written(tmp_path, HEADER + "0,20,50\n60,21,51\n7260,22,52\n")
    start = datetime(2026, 5, 1, tzinfo=UTC)
    moved = shifted(load_series(file), start)
    assert [row.at - start for row in moved] == [timedelta(seconds=s) for s in (0, 60, 7260)]
    assert [row.air_c for row in moved] == [20.0, 21.0, 22.0]


def test_filling_draws_straight_and_only_where_the_gap_is_wide(tmp_path: Path) -> None:
    file = written(tmp_path, HEADER + "0,20,50,19\n100,21,51\n3700,24,60,23\n")
    rows = filled(load_series(file), 900.0)
    assert [(row.at.timestamp(), row.air_c, row.rh_pct) for row in rows] == [
        (0.0, 20.0, 50.0),
        (100.0, 21.0, 51.0),
        (1000.0, 21.75, 53.25),
        (1900.0, 22.5, 55.5),
        (2800.0, 23.25, 57.75),
        (3700.0, 24.0, 60.0),
    ]
    assert rows[3].surface_c is None  # one end has none
    with pytest.raises(SeriesError, match="every"):
        filled(rows, 0.0)
