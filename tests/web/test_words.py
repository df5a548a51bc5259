"""Figures and instants in a person's words.

Conversions: NIST Special Publication 811 (2008), appendix B.8: °F = 1.8 °C + 32; 1 mil = 25.4 µm;
1 pound = 7000 grains (NIST Handbook 44, appendix C); 1 oz/ft² = 0.3051517 kg/m².
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from service.settings import Settings
from service.web.words import Words, shop_zone

METRIC = Words(ZoneInfo("Europe/Lisbon"))
US = Words(ZoneInfo("America/Chicago"), us=True)


def test_figures_in_either_unit() -> None:
    assert METRIC.temperature(21.46) == "21.5 °C"
    assert US.temperature(100.0) == "212.0 °F"
    assert US.temperature(-40.0) == "−40.0 °F"
    assert METRIC.difference(3.0) == "3.0 K"
    assert US.difference(10.0) == "18.0 °F"  # a difference has no offset
    assert METRIC.film(76.2) == "76 µm"
    assert US.film(76.2) == "3.0 mil"
    assert US.film_um(3.0) == pytest.approx(76.2)
    assert METRIC.film_um(80.0) == 80.0
    assert US.film_figure(25.4) == "1.0"
    assert METRIC.water(1.5) == "1.5 g/m²"
    assert US.water(305.15) == "1.000 oz/ft²"
    assert METRIC.humidity(45.4) == "45 %"


def test_what_is_not_known_is_a_dash_and_nothing_is_minus_zero() -> None:
    for said in (METRIC.temperature, METRIC.difference, METRIC.film, METRIC.humidity, METRIC.water):
        assert said(None) == "–"
    assert METRIC.temperature(-0.04) == "0.0 °C"
    assert METRIC.measured(None, "K") == "–"


@pytest.mark.parametrize(
    ("value", "unit", "metric", "us"),
    [
        (3.0, "K", "3.0 K", "5.4 °F"),
        (15.0, "°C", "15.0 °C", "59.0 °F"),
        (65.0, "% RH", "65 % RH", "65 % RH"),
        (600.0, "s", "10 min", "10 min"),
        (0.42, "of the wait", "42 % of the wait", "42 % of the wait"),
        (50.0, "µm", "50 µm", "2.0 mil"),
    ],
)
def test_a_reason_is_shown_in_the_shops_unit(value: float, unit: str, metric: str, us: str) -> None:
    assert METRIC.measured(value, unit) == metric
    assert US.measured(value, unit) == us


def test_figures_inside_a_sentence_are_turned_too() -> None:
    text = "warm the air by 5.0 K to 25.0 °C, dry it by 2.0 g of water per kg of air, 51 µm wet"
    assert METRIC.local(text) == text
    assert US.local(text) == (
        "warm the air by 9.0 °F to 77.0 °F, dry it by 14 grains of water per lb of air, 2.0 mil wet"
    )
    # What only looks like a unit is left alone.
    assert US.local("41 Koa boards, 3 Kg") == "41 Koa boards, 3 Kg"
    assert US.local("8.0 g/kg") == "56 gr/lb"


NOW = datetime(2025, 7, 9, 14, 0, tzinfo=UTC)  # a Wednesday; Lisbon is an hour ahead of UTC then


@pytest.mark.parametrize(
    ("ahead", "said"),
    [
        (timedelta(0), "15:00"),
        (timedelta(minutes=40), "15:40"),
        (timedelta(hours=8, minutes=59), "23:59"),
        (timedelta(hours=9), "tomorrow 00:00"),
        (timedelta(days=2), "Fri 15:00"),
        (timedelta(days=8), "17 Jul 15:00"),
        (timedelta(days=300), "5 May 2026 15:00"),
        (timedelta(hours=-16), "yesterday 23:00"),
        (timedelta(days=-3), "Sun 6 Jul 15:00"),
        (timedelta(days=-30), "9 Jun 15:00"),
    ],
)
def test_an_instant_is_as_short_as_it_can_be_told_from_now(ahead: timedelta, said: str) -> None:
    assert METRIC.at(NOW + ahead, NOW) == said


def test_the_zone_follows_summer_time() -> None:
    winter = datetime(2025, 12, 1, 9, 0, tzinfo=UTC)
    assert METRIC.at(winter, winter) == "09:00"
    assert US.at(winter, winter) == "03:00"
    assert METRIC.at(NOW, NOW) == "15:00"
    assert US.at(NOW, NOW) == "09:00"


def test_a_range_says_the_day_once() -> None:
    start, end = NOW + timedelta(minutes=20), NOW + timedelta(minutes=70)
    assert METRIC.between(start, end, NOW) == "15:20 and 16:10"
    day = timedelta(days=1)
    assert METRIC.between(start + day, end + day, NOW) == "tomorrow 15:20 and 16:10"
    assert METRIC.between(start, end + day, NOW) == "15:20 and tomorrow 16:10"
    assert METRIC.between(None, None, NOW) == "not known"
    assert METRIC.between(start, None, NOW) == "15:20 and later than can be told"


def test_an_age_in_its_one_fitting_unit() -> None:
    assert METRIC.ago(0) == "0 s ago"
    assert METRIC.ago(89.4) == "89 s ago"
    assert METRIC.ago(90) == "2 min ago"
    assert METRIC.ago(5400) == "2 h ago"
    assert METRIC.ago(172800) == "2 days ago"
    assert METRIC.ago(None) == "never"


def test_a_form_field_is_read_in_the_shops_zone() -> None:
    assert METRIC.from_field("2025-07-09T15:40") == datetime(2025, 7, 9, 14, 40, tzinfo=UTC)
    assert US.from_field("2025-07-09T15:40") == datetime(2025, 7, 9, 20, 40, tzinfo=UTC)
    assert METRIC.field(NOW) == "2025-07-09T15:00"
    with pytest.raises(ValueError, match="soon"):
        METRIC.from_field("soon")


def test_a_zone_that_is_none_names_the_setting(tmp_path: object) -> None:
    with pytest.raises(ValueError, match="BOOTHGLASS_ZONE: there is no zone 'Europe/Atlantis'"):
        shop_zone(Settings(data=tmp_path, zone="Europe/Atlantis"))
    assert shop_zone(Settings(data=tmp_path, zone="Europe/Lisbon")) == ZoneInfo("Europe/Lisbon")
    assert shop_zone(Settings(data=tmp_path)).utcoffset(NOW) is not None


@pytest.mark.parametrize(
    ("hours", "said"),
    [(0.4, "24 min"), (4.0 / 3.0, "1 h 20 min"), (2.0 + 5.0 / 60.0, "2 h 05 min"),
     (9.9999, "10 h 00 min"), (23.4, "23 h"), (72.0, "3.0 days"), (None, "–")],
)  # fmt: skip
def test_waits_are_told_to_the_minute_while_they_are_short(hours: float | None, said: str) -> None:
    assert Words(UTC).wait(hours) == said


def test_rooms_and_water_in_either_unit() -> None:
    metric, us = Words(UTC), Words(UTC, us=True)
    # NIST Handbook 44, appendix C: a US liquid pint is 473.176473 ml, a cubic foot 28.31685 dm³.
    assert us.litres(10.0) == pytest.approx(4.73176473)
    assert us.volume_m3(1000.0) == pytest.approx(28.31685)
    assert (metric.liquid(1.26), us.liquid(0.473176473)) == ("1.3 litres", "1.0 pints")
    assert us.local("a room of 22 m³") == "a room of 777 ft³"
    assert metric.local("a room of 22 m³") == "a room of 22 m³"
    assert [metric.chance(p) for p in (None, 0.0, 0.314, 1.0)] == [
        "–",
        "under 1 %",
        "31 %",
        "over 99 %",
    ]
