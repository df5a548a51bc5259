"""A data logger's CSV is read as it was meant, or the trouble is named by line and column."""

from __future__ import annotations

import itertools
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.importing.columns import in_title, role_of
from service.importing.instants import AMBIGUOUS, NEVER, find_form, in_order, zone_called
from service.importing.layout import ImportProblem, find_layout
from service.importing.plan import make_plan
from service.importing.rows import read

BERLIN = ZoneInfo("Europe/Berlin")

# Layouts of common loggers, made up here: what is written above the header, which delimiter and
# decimal mark, one column of time or two, which order of day and month.
GERMAN = """Datenlogger;Werkstatt;;
Serie;4711;;
;;;
Nr.;Datum/Uhrzeit;Temperatur (°C);rel. Feuchte (%);Taupunkt (°C)
1;03.11.2025 14:05:00;21,3;47,2;9,6
2;03.11.2025 14:10:00;21,4;47,0;9,6
3;13.11.2025 14:15:00;1.021,4;47,0;9,6
"""
AMERICAN = """Plot Title: Wood store
"#","Date Time, GMT-05:00","Temp, °F (LGR S/N: 100)","RH, % (LGR S/N: 100)","Host Connected"
1,"03/13/25 02:05:00 PM",70.50,47.2,
2,"03/13/25 02:10:00 PM",70.61,47.0,Logged
3,"03/13/25 02:15:00 PM",,,Logged
"""
TABBED = "Date\tTime\tT [degC]\tHumidity [%rh]\tPressure [hPa]\n" + "".join(
    f"2025-05-{day:02d}\t08:00:00\t20.{day}\t50\t1013.2\n" for day in range(1, 25)
)
EPOCH = "timestamp,temperature_c,humidity\n1762178700,21.25,47\n1762179000,21.30,47\n"
OURS = "at,air_c,rh_pct,surface_c\n2025-11-03T14:05:00+01:00,21.3,47,20.9\n"


def local(month, day, hour, minute):
    """What a logger's clock shows; it names no zone."""
    return datetime(2025, month, day, hour, minute)  # noqa: DTZ001 -- that is the point


def planned(tmp_path, text, encoding="utf-8", **how):
    path = tmp_path / "logger.csv"
    path.write_bytes(text.encode(encoding) if isinstance(text, str) else text)
    return make_plan(path, **how)


def reports(plan):
    return list(read(plan, "store", "shelf"))


@pytest.mark.parametrize(
    ("text", "encoding", "at", "air_c", "rh_pct"),
    [
        (GERMAN, "cp1252", datetime(2025, 11, 3, 13, 5, tzinfo=UTC), 21.3, 47.2),
        (GERMAN, "utf-8-sig", datetime(2025, 11, 3, 13, 5, tzinfo=UTC), 21.3, 47.2),
        (GERMAN, "utf-16", datetime(2025, 11, 3, 13, 5, tzinfo=UTC), 21.3, 47.2),
        # 70.50 °F is 21.39 °C: (70.50 - 32) * 5 / 9.
        (AMERICAN, "utf-8", datetime(2025, 3, 13, 19, 5, tzinfo=UTC), 21.3889, 47.2),
        (TABBED, "utf-8", datetime(2025, 5, 1, 6, 0, tzinfo=UTC), 20.1, 50.0),
        (EPOCH, "utf-8", datetime(2025, 11, 3, 14, 5, tzinfo=UTC), 21.25, 47.0),
        (OURS, "utf-8", datetime(2025, 11, 3, 13, 5, tzinfo=UTC), 21.3, 47.0),
    ],
    ids=["german", "bom", "utf-16", "american", "tabbed", "epoch", "ours"],
)
def test_common_layouts_are_read_without_being_told(tmp_path, text, encoding, at, air_c, rh_pct):
    plan = planned(tmp_path, text, encoding, shop_zone="Europe/Berlin")
    first = reports(plan)[0].report
    assert first.at == at
    assert first.air_c == pytest.approx(air_c, abs=1e-3)
    assert first.rh_pct == rh_pct


def test_the_pieces_of_a_layout(tmp_path):
    plan = planned(tmp_path, GERMAN, "cp1252", zone="Europe/Berlin")
    assert (plan.layout.delimiter, plan.layout.decimal_comma) == (";", True)
    assert plan.layout.header_line == 4
    assert plan.unused == ("Nr.", "Taupunkt (°C)")
    assert [row.line for row in reports(plan)] == [5, 6, 7]
    assert reports(plan)[2].report.air_c == 1021.4  # a point between the thousands
    tabbed = planned(tmp_path, TABBED, zone="UTC")
    assert tabbed.time == ("Date", "Time")
    assert reports(tabbed)[0].report.pressure_pa == pytest.approx(101_320.0)
    american = planned(tmp_path, AMERICAN)
    assert american.zone_name == "-05:00, by its title"
    third = reports(american)[2]
    assert (third.report, third.problem) == (None, None)  # a note of the logger, and no reading


@pytest.mark.parametrize(
    ("title", "role", "unit"),
    [
        ("Temperature (°F)", "air_c", "°F"),
        ("Celsius(°C)", "air_c", "°C"),
        ("Temp. [degC]", "air_c", "°C"),
        ("Température °C", "air_c", "°C"),
        ("Humidity(%rh)", "rh_pct", "%"),
        ("HR (%)", "rh_pct", "%"),
        ("Rel. Luftfeuchte %", "rh_pct", "%"),
        ("Oberfläche Temperatur °C", "surface_c", "°C"),
        ("Luftdruck [hPa]", "pressure_pa", "hPa"),
        ("Dew Point (°C)", None, "°C"),
        ("Taupunkt °C", None, "°C"),
        ("Temp max", None, None),
        ("Abs. Feuchte (g/m³)", None, None),
        ("Battery Voltage", None, None),
        ("Datum/Uhrzeit", "time", None),
        ("Fecha", "time", None),
        ("raw_air_c [°C]", "air_c", "°C"),
        ("received_at [UTC]", "received", None),
    ],
)
def test_titles(title, role, unit):
    assert role_of(title) == role
    if role is not None:
        assert in_title(title) == unit


@pytest.mark.parametrize(
    ("text", "how", "says"),
    [
        ("a,b\n1,2\n", {}, "file: logger.csv: none of the first 60 lines names a time"),
        ("time,temp\n2025-01-01,20\n", {}, "file: "),
        (EPOCH.replace("temperature_c", "temp"), {}, "--unit: air_c: 'temp' does not tell"),
        (EPOCH, {"units": {"air_c": "furlong"}}, "--unit: air_c: 'furlong' is not one of °C"),
        (EPOCH, {"maps": {"air_c": "Temp 9"}}, "file: "),
        (EPOCH, {"maps": {"wind": "humidity"}}, "--map: 'wind' is not one of"),
        (EPOCH, {"zone": "Mars/Olympus"}, "--zone: 'Mars/Olympus' is no zone"),
        ("time,t [°C],temp 2 [°C],rh\n1762178700,1,2,3\n", {}, "--map: air_c may be any of"),
        ("time,temp [°C],rh\nyesterday,1,2\n", {}, "--time: instants like 'yesterday'"),
        ("time,temp [°C],rh\n03/04/2025 10:00,1,2\n", {}, "may be '%d/%m/%Y %H:%M' or '%m/%d/%Y"),
        ("start time,end time,temp [°C],rh\n2025-01-01T10:00,2025-01-01T11:00,1,2\n", {},
         "--time: which column is the time? There are 'start time', 'end time'"),
    ],
)  # fmt: skip
def test_what_cannot_be_found_out_is_asked(tmp_path, text, how, says):
    with pytest.raises(ImportProblem) as caught:
        planned(tmp_path, text, **how)
    assert says in str(caught.value)


def test_a_file_that_is_not_there_is_named(tmp_path):
    with pytest.raises(ImportProblem, match="No such file"):
        find_layout(tmp_path / "no.csv")


def test_what_is_told_stands_over_what_is_found(tmp_path):
    text = "when,T1,T2,H1\n1/2/25 10:00,70,75,0.5\n"
    plan = planned(
        tmp_path, text, maps={"air_c": "T2", "rh_pct": "H1"}, time=["when"],
        units={"air_c": "degF", "rh_pct": "fraction"}, time_format="%d/%m/%y %H:%M", zone="+02:00",
    )  # fmt: skip
    (row,) = reports(plan)
    assert row.report.at == datetime(2025, 2, 1, 8, 0, tzinfo=UTC)
    assert row.report.air_c == pytest.approx((75 - 32) * 5 / 9)
    assert row.report.rh_pct == 50.0


def test_trouble_names_the_line_and_the_column(tmp_path):
    text = GERMAN.replace(";21,4;47,0", ";21,x;47,0") + "4;32.11.2025 14:05:00;21,0;47;\n5;x\n"
    plan = planned(tmp_path, text, zone="UTC", time_format="%d.%m.%Y %H:%M:%S")
    wrong = {row.line: str(row.problem) for row in reports(plan) if row.problem}
    assert wrong.keys() == {6, 8, 9}
    assert "Temperatur (°C)" in wrong[6]
    assert wrong[8] == "Datum/Uhrzeit: '32.11.2025 14:05:00' is not like %d.%m.%Y %H:%M:%S"
    assert wrong[9] == "row: has 2 of 5 cells"


def test_the_order_of_day_and_month_is_told_by_the_whole_file(tmp_path):
    rows = "".join(f"{d:02d}/03/2025 10:00,20,50\n" for d in range(1, 20))
    plan = planned(tmp_path, "time,temp [°C],rh\n" + rows, zone="UTC")
    assert plan.form.form == "%d/%m/%Y %H:%M"
    # Days 1 to 12 could be months too; but as days they go in steps of a day, as months of 30.
    early = "".join(f"03/{d:02d}/2025 10:00,20,50\n" for d in range(1, 9))
    plan = planned(tmp_path, "time,temp [°C],rh\n" + early, zone="UTC")
    assert plan.form.form == "%m/%d/%Y %H:%M"


def test_forms_of_instants():
    assert find_form(["1762178700"]).parse("1762178700.5") == datetime(
        2025, 11, 3, 14, 5, 0, 500_000, tzinfo=UTC
    )
    assert find_form(["1762178700123"]).form == "milliseconds"
    assert find_form(["2025-11-03 14:05"]).parse("2025-11-03 14:05") == local(11, 3, 14, 5)
    assert zone_called("+01:00").utcoffset(None) == timedelta(hours=1)


class TestTheHourThatComesTwice:
    """Clocks in Berlin went from 03:00 back to 02:00 on 26 October 2025 (directive 2000/84/EC)."""

    def local(self, *times):
        return [(local(10, 26, h, m), (h, m)) for h, m in times]

    def test_rows_that_go_through_it_twice_are_told_apart(self):
        rows = self.local((1, 30), (2, 0), (2, 30), (2, 0), (2, 30), (3, 0))
        found = list(in_order(rows, BERLIN))
        # 01:30 summer time is 23:30 UTC of the day before; every row half an hour on.
        start = datetime(2025, 10, 25, 23, 30, tzinfo=UTC)
        assert [one.at for one in found] == [start + timedelta(minutes=30 * n) for n in range(6)]
        assert [one.by_order for one in found] == [False, True, True, True, True, False]

    def test_rows_that_go_through_it_once_have_no_instant_unless_told(self):
        rows = self.local((1, 30), (2, 0), (2, 30), (3, 0))
        found = list(in_order(rows, BERLIN))
        assert [one.why for one in found] == ["", AMBIGUOUS, AMBIGUOUS, ""]
        earlier = [one.at for one in in_order(rows, BERLIN, "earlier")]
        later = [one.at for one in in_order(rows, BERLIN, "later")]
        assert earlier[1] == datetime(2025, 10, 26, 0, 0, tzinfo=UTC)
        assert later[1] == datetime(2025, 10, 26, 1, 0, tzinfo=UTC)

    def test_a_file_that_ends_in_it_is_not_guessed(self):
        rows = self.local((1, 30), (2, 0))
        assert [one.why for one in in_order(rows, BERLIN)] == ["", AMBIGUOUS]

    def test_an_hour_that_never_comes_is_refused(self):
        # Put forward from 02:00 to 03:00 on 30 March 2025.
        rows = [(local(3, 30, h, 30), h) for h in (1, 2, 3)]
        found = list(in_order(rows, BERLIN))
        assert [one.why for one in found] == ["", NEVER, ""]

    def test_a_fixed_offset_has_no_such_hours(self):
        rows = self.local((1, 30), (2, 0), (2, 30), (3, 0))
        assert all(one.at and not one.by_order for one in in_order(rows, zone_called("+01:00")))

    @given(st.integers(0, 59), st.integers(1, 59))
    def test_a_logger_that_runs_through_the_night_comes_back_whole(self, phase_min, step_min):
        start = datetime(2025, 10, 25, 20, phase_min, tzinfo=UTC)
        true = [start + timedelta(minutes=step_min * n) for n in range(600 // step_min + 1)]
        clock = [at.astimezone(BERLIN).replace(tzinfo=None, fold=0) for at in true]
        found = [one.at for one in in_order(zip(clock, true, strict=True), BERLIN)]
        twice = [at for at in true if at.astimezone(BERLIN).hour == 2]
        if len({at.astimezone(BERLIN).fold for at in twice}) == 2 and any(
            b < a for a, b in itertools.pairwise(clock)
        ):
            assert found == true
        else:  # too few rows in the hour for their order to tell
            assert all(at in {None, wanted} for at, wanted in zip(found, true, strict=True))


@given(st.text(max_size=400))
def test_any_text_is_read_or_refused_in_words(tmp_path_factory, text):
    path = tmp_path_factory.getbasetemp() / "any.csv"
    path.write_text("time,temp [°C],rh\n" + text, encoding="utf-8", errors="replace", newline="")
    try:
        plan = make_plan(path, time_format="%Y-%m-%d %H:%M", zone="UTC")
        for row in read(plan, "store", "shelf"):
            assert row.report is None or row.problem is None
    except ImportProblem:
        pass  # said in words


@given(st.binary(max_size=400))
def test_any_bytes_are_read_or_refused_in_words(tmp_path_factory, data):
    path = tmp_path_factory.getbasetemp() / "bytes.csv"
    path.write_bytes(data)
    with pytest.raises(ImportProblem):
        make_plan(path, zone="UTC")
