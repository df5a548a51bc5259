"""Units against NIST Special Publication 811 (2008), and numbers written as text."""

from __future__ import annotations

import pytest

from sensors.units import UNITS, figure, in_our_unit, unit_called
from sensors.wire import PayloadError

# NIST SP 811 (2008), appendix B.8: "to convert from ... to pascal, multiply by".
TO_PASCAL = {
    "hPa": 1.0e2,  # millibar (mbar); the hectopascal is the same
    "mbar": 1.0e2,
    "kPa": 1.0e3,  # prefix kilo, SP 811 section 4.3
    "mmHg": 1.333224e2,  # millimeter of mercury, conventional (mmHg)
    "inHg": 3.386389e3,  # inch of mercury, conventional (inHg)
}


@pytest.mark.parametrize(("unit", "factor"), TO_PASCAL.items())
def test_pressure(unit, factor):
    # The published factors have seven figures.
    assert in_our_unit("pressure_pa", 1.0, unit) == pytest.approx(factor, rel=1e-7)


@pytest.mark.parametrize(
    ("value", "unit", "celsius"),
    [
        # NIST SP 811, B.8: t/°C = (t/°F - 32)/1.8 and t/°C = T/K - 273.15; the points are
        # those where the formulas are exact.
        (32.0, "°F", 0.0),
        (212.0, "°F", 100.0),
        (-40.0, "°F", -40.0),
        (71.6, "°F", 22.0),
        (273.15, "K", 0.0),
        (295.15, "K", 22.0),
        (21.5, "°C", 21.5),
    ],
)
@pytest.mark.parametrize("quantity", ["air_c", "surface_c"])
def test_temperature(quantity, value, unit, celsius):
    # A few parts in 1e14 of rounding.
    assert in_our_unit(quantity, value, unit) == pytest.approx(celsius, abs=1e-12)


def test_shares():
    assert in_our_unit("rh_pct", 0.47, "fraction") == pytest.approx(47.0)
    assert in_our_unit("battery_pct", 1.0, "fraction") == 100.0


@pytest.mark.parametrize(
    ("spelling", "unit"),
    [
        ("°C", "°C"), (" C ", "°C"), ("degF", "°F"), ("℃", "°C"), ("Kelvin", "K"), ("%RH", "%"),
        ("hPa", "hPa"), ("mBar", "mbar"), ("inHg", "inHg"), ("Torr", "mmHg"), ("V", None),
        ("", None),
    ],
)  # fmt: skip
def test_spellings(spelling, unit):
    assert unit_called(spelling) == unit


def test_every_unit_is_known_by_its_own_name():
    for units in UNITS.values():
        assert [unit_called(name) for name in units] == list(units)


@pytest.mark.parametrize(
    ("text", "unit", "found"),
    [
        ("21.3", "°C", 21.3), ("21.3 °C", "°C", 21.3), (" 21.3C\n", "°C", 21.3),
        ("+2.13e1", "°C", 21.3), ("-4", "°C", -4.0), ("32 °F", "°F", 0.0),
    ],
)  # fmt: skip
def test_numbers_as_text(text, unit, found):
    assert figure("air_c", text, unit, text=True) == pytest.approx(found, abs=1e-12)


@pytest.mark.parametrize(
    "text",
    ["", "warm", "21,3", "21.3 °F", "21.3 bananas", "nan", "inf", "1e999", "٢١", "0x15", "1_0",
     "21.3.4", "9" * 70, "on", "21.3 °C °C"],
)  # fmt: skip
def test_text_that_is_no_number_in_this_unit_is_refused_by_name(text):
    with pytest.raises(PayloadError) as caught:
        figure("air_c", text, "°C", text=True)
    assert caught.value.field == "air_c"


def test_text_is_no_number_unless_told():
    with pytest.raises(PayloadError, match="not a number"):
        figure("air_c", "21.3", "°C", text=False)
