"""``boothglass import`` and ``boothglass export``, as typed."""

from __future__ import annotations

from pathlib import Path

import databases
import pytest
from typer.testing import CliRunner

from service.cli import cli

FILE = """Logger;;
Zeit;Temperatur (°C);Feuchte (%)
26.10.2025 01:30;18,5;52
26.10.2025 02:00;18,4;52
26.10.2025 02:30;18,4;53
26.10.2025 02:00;18,3;53
26.10.2025 02:30;18,3;53
26.10.2025 03:00;18,2;kaputt
26.10.2025 03:30;;
26.10.2025 04:00;18,1;54
"""


@pytest.fixture
def shop(tmp_path, monkeypatch):
    """A shop in Berlin, whose clock stands in March 2026, and a logger's file beside it."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "logger.csv").write_text(FILE, encoding="utf-8")
    databases.set_in(monkeypatch, tmp_path / "data")
    monkeypatch.setenv("BOOTHGLASS_ZONE", "Europe/Berlin")
    monkeypatch.setenv("BOOTHGLASS_CLOCK_START", "2026-03-02T09:00:00Z")

    def run(*words: str, status: int = 0) -> str:
        told = CliRunner().invoke(cli, words)
        assert told.exit_code == status, told.output
        return told.output

    return run


def test_it_says_how_it_reads_the_file_and_what_became_of_it(shop):
    told = shop("import", "logger.csv", "--place", "store", "--sensor", "shelf")
    for line in (
        "logger.csv: utf-8, delimiter ; and decimal comma, header in line 2",
        "Zeit, as %d.%m.%Y %H:%M, Europe/Berlin, the shop's",
        "line 3: store/shelf 2025-10-25 23:30:00 UTC, 18.5 °C, 52 %",
        "8 rows: 6 new, 0 were there already, 1 refused",
        "1 hold no reading",
        "4 are of an hour that came twice; their order told which",
        "refused 1, first in line 8: Feuchte (%): is not a number",
    ):
        assert line in told
    again = shop("import", "logger.csv", "--place", "store", "--sensor", "shelf")
    assert "0 new, 6 were there already, 1 refused" in again


def test_a_dry_run_keeps_nothing(shop):
    told = shop("import", "logger.csv", "--place", "store", "--sensor", "shelf", "--dry-run")
    assert "8 rows: 6 would be taken in, 1 refused" in told
    assert "there is no place 'store'" in shop("export", "store", status=2)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--place", "Wood store"], "--place: 'Wood store' is no word"),
        (["--place", "store", "--sensor", "a/b"], "--sensor: 'a/b' is no word"),
        (["--place", "store"], "--sensor: the file has no column that tells"),
        (["--place", "store", "--sensor", "s", "--map", "air_c"], "--map: 'air_c' is not like"),
        (["--place", "store", "--sensor", "s", "--ambiguous", "both"], "--ambiguous: 'both'"),
        (["--place", "store", "--sensor", "s", "--zone", "Atlantis"], "--zone: 'Atlantis'"),
        (["--place", "store", "--sensor", "s", "--unit", "air_c=inch"], "--unit: air_c: 'inch'"),
    ],
)
def test_what_is_wrong_is_named_by_its_option(shop, words, says):
    assert says in shop("import", "logger.csv", *words, status=2)


def test_a_file_of_which_nothing_can_be_used_ends_with_1(shop):
    Path("bad.csv").write_text("time,temp (°C),rh\n2025-01-01 10:00,99,50\n", encoding="utf-8")
    told = shop("import", "bad.csv", "--place", "store", "--sensor", "s", status=1)
    assert "refused 1, first in line 2: air_c: is outside -40 to 60 °C" in told


def test_out_and_in_again(shop):
    shop("import", "logger.csv", "--place", "store", "--sensor", "shelf")
    told = shop("export", "store")
    (file,) = Path().glob("store_raw_*.csv")
    assert told.startswith(f"{file}: ")
    assert file.read_text(encoding="utf-8").splitlines()[0].startswith("at [UTC],sensor,air_c [°C]")
    assert "0 new, 6 were there already" in shop("import", str(file), "--place", "store")
    assert shop("export", "store", "--out", "-") == file.read_text(encoding="utf-8")
    buckets = shop("export", "store", "--resolution", "1h", "--out", "-").splitlines()
    assert buckets[0].startswith("at [UTC],count,flagged,left_out,air_c_min [°C]")
    some = shop("export", "store", "--from", "2025-10-26T01:00", "--to", "2025-10-26", status=2)
    assert "from: must not lie after `to`" in some
    shop("export", "store", "--format", "parquet", "--out", "x.parquet")
    assert Path("x.parquet").read_bytes()[:4] == b"PAR1"
    assert "format: 'xlsx' is not one of csv, parquet" in shop(
        "export", "store", "--format", "xlsx", status=2
    )
    assert not list(Path().glob("*.part"))
