"""Dew point and wet bulb of a million readings, beside PsychroLib and MetPy."""

from __future__ import annotations

import iapws
import metpy.calc
import numpy as np
import psychrolib
import pytest
from metpy.units import units
from stopwatch import in_turns, table

from service.science import air

pytestmark = pytest.mark.bench

psychrolib.SetUnitSystem(psychrolib.SI)
COMPILED = bool(psychrolib.has_numba)  # only with Numba does PsychroLib take arrays

COUNT = 1_000_000
SAMPLE = COUNT if COMPILED else COUNT // 100  # value by value it is timed on a hundredth


@pytest.fixture(scope="module")
def readings():
    rng = np.random.default_rng(1)
    return rng.uniform(5.0, 40.0, COUNT), rng.uniform(30.0, 95.0, COUNT)


def by_psychrolib(function, *arguments):
    if COMPILED:
        return function(*arguments)
    return [function(*each) for each in zip(*(a.tolist() for a in arguments), strict=True)]


def psychrolib_note() -> str:
    return "array form, Numba" if COMPILED else f"value by value, {SAMPLE} of them, scaled up"


def worst_error_k(dew_point_of) -> float:
    """Against IAPWS-IF97: saturated air of a known temperature, seen at 25 °C and up."""
    dew_c = np.linspace(1.0, 24.0, 47)
    vapour = np.array([1e6 * iapws.iapws97._PSat_T(t + 273.15) for t in dew_c])
    saturated = 1e6 * iapws.iapws97._PSat_T(298.15)
    found = dew_point_of(np.full(dew_c.shape, 25.0), 100.0 * vapour / saturated)
    return float(np.abs(np.asarray(found) - dew_c).max())


def test_dew_point_of_a_million_readings(readings):
    air_c, rh = readings
    share = rh / 100.0
    quantities = units.Quantity(air_c, "degC"), units.Quantity(rh, "percent")

    def by_metpy(t, r):
        q = units.Quantity(t, "degC"), units.Quantity(r, "percent")
        return metpy.calc.dewpoint_from_relative_humidity(*q).m_as("degC")

    def by_library(t, r):
        return by_psychrolib(psychrolib.GetTDewPointFromRelHum, t, r / 100.0)

    seconds = in_turns(
        {
            "this": lambda: air.dew_point(air_c, rh),
            "MetPy": lambda: metpy.calc.dewpoint_from_relative_humidity(*quantities),
            "PsychroLib": lambda: by_psychrolib(
                psychrolib.GetTDewPointFromRelHum, air_c[:SAMPLE], share[:SAMPLE]
            ),
        }
    )
    seconds["PsychroLib"] *= COUNT / SAMPLE
    off = {
        "this": worst_error_k(air.dew_point),
        "MetPy": worst_error_k(by_metpy),
        "PsychroLib": worst_error_k(by_library),
    }
    notes = {name: f"up to {error:.4f} K from IAPWS-IF97" for name, error in off.items()}
    notes["PsychroLib"] += f"; {psychrolib_note()}"
    table(f"Dew point of {COUNT:,} readings", seconds, "this", notes)
    # Equal accuracy is PsychroLib's: MetPy's closed form is faster than that and coarser.
    assert off["this"] < off["PsychroLib"] + 1e-5
    assert seconds["PsychroLib"] > 5.0 * seconds["this"]
    assert seconds["MetPy"] > 2.0 * seconds["this"]


def test_wet_bulb_of_a_million_readings(readings):
    air_c, rh = readings
    few = slice(0, 2000)  # MetPy integrates each parcel down its moist adiabat
    pressure = np.full(COUNT, 101_325.0)
    some = (
        units.Quantity(pressure[few], "Pa"),
        units.Quantity(air_c[few], "degC"),
        metpy.calc.dewpoint_from_relative_humidity(
            units.Quantity(air_c[few], "degC"), units.Quantity(rh[few], "percent")
        ),
    )
    seconds = in_turns(
        {
            "this": lambda: air.wet_bulb(air_c, rh, 101_325.0),
            "MetPy": lambda: metpy.calc.wet_bulb_temperature(*some),
            "PsychroLib": lambda: by_psychrolib(
                psychrolib.GetTWetBulbFromRelHum,
                air_c[:SAMPLE],
                rh[:SAMPLE] / 100.0,
                pressure[:SAMPLE],
            ),
        },
        turns=3,
    )
    seconds["MetPy"] *= COUNT / 2000
    seconds["PsychroLib"] *= COUNT / SAMPLE
    notes = {"MetPy": "2,000 of them, scaled up", "PsychroLib": psychrolib_note()}
    table(f"Wet bulb of {COUNT:,} readings", seconds, "this", notes)
    assert seconds["PsychroLib"] > seconds["this"]
    assert seconds["MetPy"] > seconds["this"]
