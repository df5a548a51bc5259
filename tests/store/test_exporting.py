"""A place's record as a file: whole, with its units, and never all in memory at once."""

from __future__ import annotations

import csv
import io
import json
import sys
import tracemalloc
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import numpy as np
import psychrolib
import pyarrow as pa
import pytest
from pyarrow import parquet
from sqlmodel import select

from service.shop.quality import Flag
from service.store import corrections, export_files, exporting
from service.store.errors import BadInput, NotFound
from service.store.export_files import file_name, written
from service.store.exporting import export
from service.store.history import history
from service.store.readings import NewReading, record_batch
from service.store.retention import thin
from service.store.settling import settle_all
from service.store.tables import Correction, Place, Reading, Sensor
from service.store.types import to_millis

START = datetime(2026, 3, 2, 22, 0, 0, 250_000, tzinfo=UTC)
psychrolib.SetUnitSystem(psychrolib.SI)


@pytest.fixture
def two_days(database):
    """28 h of two sensors: one sends everything, one is lean; a spike, a correction."""
    rng = np.random.default_rng(4)
    batch = []
    for n in range(28 * 30):
        at = START + timedelta(seconds=120 * n)
        air, rh = 18 + 2 * np.sin(n / 100) + rng.normal(0, 0.03, 2), 55 + rng.normal(0, 0.2, 2)
        air[0] += 15.0 if n == 400 else 0.0
        batch.append(
            NewReading(
                "booth", "wall", at, at + timedelta(milliseconds=137), round(air[0], 4),
                round(rh[0], 3), round(air[0] - 0.7, 2), 101_325.5, 80,
            )
        )  # fmt: skip
        later = at + timedelta(seconds=31)
        batch.append(NewReading("booth", "bench", later, later, round(air[1], 2), round(rh[1], 1)))
    with database.write() as session:
        record_batch(session, batch)
        wall = session.exec(select(Sensor).where(Sensor.name == "wall")).one()
        corrections.keep(
            session,
            Correction(
                sensor_id=wall.id, quantity="rh_pct", from_at=START + timedelta(hours=9),
                slope=0.98, offset=1.5, sd=0.9, method="two jars", made_at=START,
            ),
        )  # fmt: skip
    settle_all(database)
    return SimpleNamespace(db=database, batch=batch)


def as_bytes(database, file_format="csv", **how):
    return b"".join(written(export(database, "booth", **how), file_format))


def rows_of(text):
    return list(csv.DictReader(io.StringIO(text.decode("utf-8"), newline="")))


def test_every_reading_comes_as_it_was_sent(two_days):
    rows = rows_of(as_bytes(two_days.db))
    wanted = sorted(two_days.batch, key=lambda r: r.at)
    assert len(rows) == len(wanted) == 28 * 60
    for row, sent in zip(rows, wanted, strict=True):
        assert datetime.fromisoformat(row["at [UTC]"]) == sent.at
        assert datetime.fromisoformat(row["received_at [UTC]"]) == sent.received_at
        assert row["sensor"] == sent.sensor
        assert float(row["raw_air_c [°C]"]) == sent.air_c
        assert float(row["raw_rh_pct [%]"]) == sent.rh_pct
        if sent.sensor == "wall":
            assert float(row["raw_surface_c [°C]"]) == sent.surface_c
            assert float(row["pressure_pa [Pa]"]) == sent.pressure_pa
            assert row["battery_pct [%]"] == "80"
        else:
            assert row["raw_surface_c [°C]"] == row["pressure_pa [Pa]"] == ""


def test_corrected_values_are_those_of_the_history(two_days):
    rows = rows_of(as_bytes(two_days.db))
    with two_days.db.read() as session:
        end = START + timedelta(days=2)
        told = history(session, "booth", START, end, resolution="raw").rows
    for row, other in zip(rows, told, strict=True):
        # Given to four places.
        for name in ("air_c [°C]", "rh_pct [%]", "dew_point_c [°C]"):
            assert float(row[name]) == pytest.approx(other[name.split()[0]], abs=5.1e-5)
    moved = [r for r in rows if r["rh_pct [%]"] != r["raw_rh_pct [%]"]]
    assert {r["sensor"] for r in moved} == {"wall"}
    assert moved[0]["at [UTC]"] == "2026-03-03T07:00:00.250Z"
    # Reference: PsychroLib (ASHRAE 2017); its solver stops at 0.001 K, so twice that.
    for row in rows[::97]:
        expected = psychrolib.GetTDewPointFromRelHum(
            float(row["air_c [°C]"]), float(row["rh_pct [%]"]) / 100
        )
        assert float(row["dew_point_c [°C]"]) == pytest.approx(expected, abs=2e-3)


def test_flags_come_by_name(two_days):
    rows = rows_of(as_bytes(two_days.db))
    with two_days.db.read() as session:
        spikes = {r.at for r in session.exec(select(Reading)) if (r.flags or 0) & Flag.SPIKE}
    assert spikes
    assert {datetime.fromisoformat(r["at [UTC]"]) for r in rows if "spike" in r["flags"]} == spikes
    with two_days.db.write() as session:
        at = START + timedelta(days=2)
        record_batch(session, [NewReading("booth", "wall", at, at, 18.0, 50.0)])
    assert rows_of(as_bytes(two_days.db))[-1]["flags"] == "unassessed"


def test_a_span_takes_both_its_ends(two_days):
    found = rows_of(
        as_bytes(two_days.db, from_at=START + timedelta(hours=1), to_at=START + timedelta(hours=2))
    )
    assert found[0]["at [UTC]"] == "2026-03-02T23:00:00.250Z"
    assert found[-1]["at [UTC]"] == "2026-03-03T00:00:00.250Z"
    assert len(found) == 61


@pytest.mark.parametrize("resolution", ["90s", "5m", "15m", "1h"])
def test_buckets_are_those_of_the_history(two_days, resolution, monkeypatch):
    monkeypatch.setattr(exporting, "BUCKETS_AT_ONCE", 7)
    span = (START + timedelta(minutes=7), START + timedelta(hours=25))
    rows = rows_of(as_bytes(two_days.db, resolution=resolution, from_at=span[0], to_at=span[1]))
    with two_days.db.read() as session:
        told = history(session, "booth", *span, resolution=resolution).rows
    assert len(rows) == len(told) > 20
    for row, other in zip(rows, told, strict=True):
        assert datetime.fromisoformat(row["at [UTC]"]) == other["at"]
        assert int(row["count"]) == other["count"]
        for name, unit in (("air_c", "°C"), ("rh_pct", "%")):
            for what in ("min", "mean", "max"):
                value = float(row[f"{name}_{what} [{unit}]"])
                assert value == pytest.approx(other[name][what], abs=5.1e-5)


def test_parquet_says_the_same_and_carries_units_and_where_it_is_from(two_days):
    table = parquet.read_table(io.BytesIO(as_bytes(two_days.db, "parquet")))
    rows = rows_of(as_bytes(two_days.db))
    assert table.num_rows == len(rows)
    assert table.schema.field("at").type == pa.timestamp("ms", tz="UTC")
    units = {f.name: (f.metadata or {}).get(b"unit", b"").decode() for f in table.schema}
    assert units["raw_air_c"] == units["dew_point_c"] == "°C"
    assert (units["rh_pct"], units["pressure_pa"], units["at"]) == ("%", "Pa", "UTC")
    assert units["sensor"] == units["flags"] == ""
    for name, unit in units.items():
        title = f"{name} [{unit}]" if unit else name
        for value, text in zip(table[name].to_pylist(), (r[title] for r in rows), strict=True):
            if value is None:
                assert text == ""
            elif isinstance(value, datetime):
                assert value == datetime.fromisoformat(text)
            elif isinstance(value, list):
                assert " ".join(value) == text
            elif isinstance(value, str):
                assert value == text
            else:
                assert value == float(text)
    about = {k.decode(): v.decode() for k, v in table.schema.metadata.items()}
    assert about["place"] == "booth"
    assert json.loads(about["sensors"]) == ["wall", "bench"]
    (correction,) = json.loads(about["corrections"])
    assert correction["sensor"] == "wall"
    assert (correction["slope"], correction["offset"], correction["sd"]) == (0.98, 1.5, 0.9)
    assert datetime.fromisoformat(correction["from_at"]) == START + timedelta(hours=9)
    assert about["made_by"].startswith("Boothglass ")


def test_parquet_comes_in_row_groups(two_days, monkeypatch):
    monkeypatch.setattr(export_files, "ROW_GROUP", 300)
    pieces = list(written(export(two_days.db, "booth"), "parquet"))
    assert sum(bool(piece) for piece in pieces) >= 2
    file = parquet.ParquetFile(io.BytesIO(b"".join(pieces)))
    assert file.num_row_groups == 2  # a chunk a day, each more than that
    assert file.metadata.num_rows == 28 * 60


def test_without_pyarrow_it_says_what_to_install(two_days, monkeypatch):
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(BadInput, match=r"pip install 'boothglass\[parquet\]'") as caught:
        written(export(two_days.db, "booth"), "parquet")
    assert caught.value.field == "format"


def test_what_cannot_be_exported_is_named(two_days):
    with pytest.raises(NotFound, match="place: there is no place 'attic'"):
        export(two_days.db, "attic")
    with pytest.raises(BadInput, match="format: 'xlsx'"):
        written(export(two_days.db, "booth"), "xlsx")
    with pytest.raises(BadInput, match="resolution: 'often'"):
        export(two_days.db, "booth", resolution="often")
    with pytest.raises(BadInput, match="from: must not lie after"):
        export(two_days.db, "booth", from_at=START + timedelta(hours=1), to_at=START)


def test_an_empty_place_gives_a_header(database):
    with database.write() as session:
        session.add(Place(id="booth", name="Booth", made_at=START))
    for resolution in ("raw", "1h", "auto"):
        assert rows_of(as_bytes(database, resolution=resolution)) == []
    header = as_bytes(database).decode().splitlines()[0].split(",")
    assert header[:3] == ["at [UTC]", "sensor", "air_c [°C]"]
    assert parquet.read_table(io.BytesIO(as_bytes(database, "parquet"))).num_rows == 0


def test_the_name_tells_what_is_in_it(two_days):
    assert file_name(export(two_days.db, "booth"), "csv") == "booth_raw_2026-03-02_2026-03-04.csv"
    found = export(two_days.db, "booth", resolution="auto")
    assert found.resolution == "raw"  # few enough


def test_past_the_horizon_the_rest_is_given_and_the_note_says_so(two_days):
    with two_days.db.write() as session:
        late = START + timedelta(days=31)
        record_batch(session, [NewReading("booth", "wall", late, late, 18.0, 50.0)])
    settle_all(two_days.db)
    limit = datetime(2026, 3, 3, 22, 0, tzinfo=UTC)
    assert sum(thin(two_days.db, late, 30)) > 0
    found = export(two_days.db, "booth")
    assert found.from_at == limit
    assert f"before {limit:%Y-%m-%d %H:%M} UTC are no longer kept" in found.note
    assert len(rows_of(as_bytes(two_days.db))) == 2 * 4 * 30 + 1
    whole = export(two_days.db, "booth", resolution="1h")
    assert (whole.note, to_millis(whole.from_at)) == (
        "",
        to_millis(START) // 86_400_000 * 86_400_000,
    )
    with pytest.raises(BadInput, match="not all single readings are kept"):
        export(two_days.db, "booth", from_at=START)


@pytest.mark.slow
def test_a_long_record_never_lies_in_memory_at_once(database):
    def peak_of(days):
        tracemalloc.start()
        size = sum(len(piece) for piece in written(
            export(database, "booth", to_at=START + timedelta(days=days)), "csv"))  # fmt: skip
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return size, peak

    for day in range(30):
        batch = [
            NewReading("booth", "wall", at, at, 18.0 + n % 7 / 100, 50.0)
            for n in range(720)
            if (at := START + timedelta(days=day, seconds=120 * n))
        ]
        with database.write() as session:
            record_batch(session, batch)
    small, large = peak_of(3), peak_of(30)
    assert large[0] > 9 * small[0]
    # A day lies in memory whatever the span; allow half as much again for the allocator.
    assert large[1] < 1.5 * small[1]


def test_years_without_a_reading_are_not_looked_through(two_days, monkeypatch):
    looks = []
    buckets = exporting.histories.buckets

    def counted(*about):
        looks.append(about)
        return buckets(*about)

    monkeypatch.setattr(exporting.histories, "buckets", counted)
    plain = rows_of(as_bytes(two_days.db, resolution="4s"))
    usual = len(looks)
    late = START + timedelta(days=3650)
    with two_days.db.write() as session:
        record_batch(session, [NewReading("booth", "wall", late, late, 18.0, 55.0)])
    settle_all(two_days.db)
    centuries = {"from_at": datetime(1900, 2, 11, tzinfo=UTC), "to_at": late + timedelta(days=9e4)}
    rows = rows_of(as_bytes(two_days.db, resolution="4s", **centuries))
    assert [row["at [UTC]"] for row in rows[:-1]] == [row["at [UTC]"] for row in plain]
    assert datetime.fromisoformat(rows[-1]["at [UTC]"]) <= late
    assert len(looks) - usual < usual + 30
