"""Weather files against the reader of the package that carries them; the invented spring."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from pvlib.iotools import read_tmy2, read_tmy3

from sensors.weather import DampSpring, WeatherError, find_weather, is_weather, read_weather
from service.science import air

TMY3_NAMES = ["723170TYA", "703165TY"]


@pytest.mark.parametrize("name", TMY3_NAMES)
def test_tmy3_agrees_with_the_reference_reader(name: str) -> None:
    # Reference: pvlib's own reader. No tolerance on instants; the numbers are the same text.
    ours = read_weather(f"pvlib:{name}", year=2015).hours
    reference, _ = read_tmy3(find_weather(f"pvlib:{name}"), coerce_year=2015, map_variables=True)
    assert len(ours) == len(reference) == 8760
    # It lays the last hour of the year, 24:00, into the year after, as we do.
    assert [hour.at for hour in ours] == [at.astimezone(UTC) for at in reference.index]
    for field, column, unit in (
        ("air_c", "temp_air", 1.0),
        ("dew_point_c", "temp_dew", 1.0),
        ("rh_pct", "relative_humidity", 1.0),
        ("pressure_pa", "pressure", 100.0),
    ):
        told = [getattr(hour, field) for hour in ours]
        np.testing.assert_allclose(told, reference[column] * unit, rtol=1e-12, err_msg=field)


def test_tmy2_agrees_with_the_reference_reader() -> None:
    ours = read_weather("pvlib:12839").hours
    reference, about = read_tmy2(find_weather("pvlib:12839"))
    assert about["TZ"] == -5
    for field, column, unit in (
        ("air_c", "DryBulb", 0.1),
        ("dew_point_c", "DewPoint", 0.1),
        ("rh_pct", "RHum", 1.0),
        ("pressure_pa", "Pressure", 100.0),
    ):
        told = [getattr(hour, field) for hour in ours]
        np.testing.assert_allclose(told, reference[column] * unit, rtol=1e-12, err_msg=field)
    # The manual of the format counts hours 1 to 24, each named by its end; the reference reader
    # names them by their beginning.
    first = reference.index[0].astimezone(UTC)
    assert (ours[0].at.month, ours[0].at.day) == (first.month, first.day)
    assert ours[0].at.hour == first.hour + 1


@pytest.mark.parametrize("name", TMY3_NAMES)
def test_dew_points_of_the_year_agree_with_the_files_own(name: str) -> None:
    # The file rounds air and dew point to 0.1 K and RH to 1 %. At RH u the rounding of RH alone
    # moves the dew point by up to about 0.5 % of T²Rv/(L u): 0.16 K at 50 %, 0.5 K at 15 %. The
    # observers' dew point over water below freezing differs from our frost point, so only hours
    # with a dew point of 0.5 °C and more are compared.
    hours = [h for h in read_weather(f"pvlib:{name}").hours if h.dew_point_c >= 0.5]
    ours = air.dew_point(np.array([h.air_c for h in hours]), np.array([h.rh_pct for h in hours]))
    off = np.abs(ours - np.array([h.dew_point_c for h in hours]))
    assert len(hours) > 4000
    assert np.median(off) < 0.15
    assert np.quantile(off, 0.99) < 0.5


def test_between_hours_it_runs_straight_and_the_year_comes_round() -> None:
    year = read_weather("pvlib:723170TYA", year=2015)
    one, two = year.hours[100], year.hours[101]
    half = year.at(one.at + timedelta(minutes=30))
    assert half.air_c == pytest.approx((one.air_c + two.air_c) / 2)
    assert half.dew_point_c == pytest.approx((one.dew_point_c + two.dew_point_c) / 2)
    assert half.rh_pct == pytest.approx(air.rh_at_dew_point(half.air_c, half.dew_point_c))
    again = year.at(one.at.replace(year=2026) + timedelta(minutes=30))
    assert again.air_c == pytest.approx(half.air_c)
    last = year.hours[-1]
    into = year.at(last.at + timedelta(minutes=30))
    assert into.air_c == pytest.approx((last.air_c + year.hours[0].air_c) / 2)


def test_every_instant_of_a_leap_year_has_air() -> None:
    year = read_weather("pvlib:703165TY")
    start = datetime(2028, 1, 1, tzinfo=UTC)
    for hour in range(0, 366 * 24, 7):
        told = year.at(start + timedelta(hours=hour))
        assert told.dew_point_c <= told.air_c
        assert 0 < told.rh_pct <= 100


def test_the_invented_spring_is_damp_steady_and_the_same_every_time() -> None:
    start = datetime(2026, 4, 1, tzinfo=UTC)
    spring, again = DampSpring(seed=3), DampSpring(seed=3)
    hours = [spring.at(start + timedelta(hours=h)) for h in range(24 * 60)]
    assert again.at(start + timedelta(hours=77)) == hours[77]
    assert DampSpring(seed=4).at(start).air_c != hours[0].air_c
    rh = np.array([hour.rh_pct for hour in hours])
    air_c = np.array([hour.air_c for hour in hours])
    assert 70 < rh.mean() < 90
    assert rh.max() <= 100
    assert 5 < air_c.mean() < 18
    assert np.abs(np.diff(air_c)).max() < 4  # no jumps from hour to hour
    daily = air_c.reshape(-1, 24).mean(axis=0)
    assert np.argmax(daily) == 15


def test_a_file_that_cannot_be_read_says_where(tmp_path: Path) -> None:
    with pytest.raises(WeatherError, match=r"it carries .*723170TYA"):
        find_weather("pvlib:atlantis")
    with pytest.raises(WeatherError, match="no such file"):
        read_weather(tmp_path / "none.tm2")
    with pytest.raises(WeatherError, match="year"):
        read_weather("pvlib:723170TYA", year=1988)
    lines = find_weather("pvlib:723170TYA").read_text().splitlines()
    broken = tmp_path / "broken.csv"

    def read(*edits: tuple[int, str, str]) -> None:
        changed = list(lines)
        for index, old, new in edits:
            assert old in changed[index]
            changed[index] = changed[index].replace(old, new, 1)
        broken.write_text("\n".join(changed))
        read_weather(broken)

    read()  # unchanged it reads
    with pytest.raises(WeatherError, match=r"line 5: date or time"):
        read((4, "01/01", "13/01"))
    with pytest.raises(WeatherError, match=r"line 1: time zone: 'west'"):
        read((0, "-5.0", "west"))
    with pytest.raises(WeatherError, match=r"line 2: 'RHum \(%\)' is not in list"):
        read((1, "RHum (%)", "Humid"))
    broken.write_text("\n".join([*lines[:9], lines[9][:40]]))
    with pytest.raises(WeatherError, match="line 10: the line is cut off"):
        read_weather(broken)
    broken.write_text("\n".join(lines[:-1]))
    with pytest.raises(WeatherError, match="expected 8760 hours, found 8759"):
        read_weather(broken)
    row = lines[2].split(",")
    row[31] = "-9900"
    broken.write_text("\n".join([*lines[:2], ",".join(row), *lines[3:]]))
    with pytest.raises(WeatherError, match=r"line 3: Dry-bulb \(C\): '-9900' means missing"):
        read_weather(broken)


def test_weather_files_are_told_from_other_series(tmp_path: Path) -> None:
    other = tmp_path / "logger.csv"
    other.write_text("at,air_c,rh_pct\n2026-01-01T00:00:00Z,20,50\n")
    assert not is_weather(other)
    assert not is_weather(tmp_path / "none.csv")
    assert is_weather("pvlib:whatever")
    assert is_weather(find_weather("pvlib:723170TYA"))
    assert is_weather(find_weather("pvlib:12839"))
