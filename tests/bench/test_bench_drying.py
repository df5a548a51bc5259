"""A thousand instruments' drying clocks over 30 days of one-minute readings."""

from __future__ import annotations

import numpy as np
import pytest
from stopwatch import in_turns, table

from service.science import drying
from service.science.constants import GAS_CONSTANT

pytestmark = pytest.mark.bench

READINGS, INSTRUMENTS = 30 * 24 * 60, 1000
LAW = drying.DryingLaw(
    reference_c=23.0,
    reference_rh_pct=45.0,
    activation_kj_mol=60.0,
    film_exponent=1.5,
    reference_film_um=40.0,
    rh_per_pct=0.01,
)
THETA = 60_000.0 / GAS_CONSTANT


def air_of_a_place(seed: int):
    rng = np.random.default_rng(seed)
    time_s = 60.0 * np.arange(READINGS)
    day = 2.0 * np.pi * time_s / 86_400.0
    air_c = 21.0 + 3.0 * np.sin(day + seed) + 0.05 * rng.standard_normal(READINGS)
    rh_pct = 50.0 - 10.0 * np.sin(day + seed) + 0.3 * rng.standard_normal(READINGS)
    return time_s, air_c, rh_pct


def plain_rate(air_c, rh_pct):
    return np.exp(THETA * (1.0 / 296.15 - 1.0 / (air_c + 273.15)) - 0.01 * (rh_pct - 45.0))


def test_thousand_instruments_in_the_air_of_five_places():
    places = [air_of_a_place(seed) for seed in range(5)]
    rng = np.random.default_rng(5)
    start = rng.uniform(0.0, 0.9 * 60.0 * READINGS, (5, INSTRUMENTS // 5))
    film = rng.uniform(20.0, 120.0, start.shape)
    end = 60.0 * (READINGS - 1)

    def plain():
        hours = []
        for k, (time_s, air_c, rh_pct) in enumerate(places):
            rate = plain_rate(air_c, rh_pct)
            total = np.zeros(READINGS)
            np.cumsum(0.5 * (rate[1:] + rate[:-1]) * np.diff(time_s), out=total[1:])
            passed = np.interp(end, time_s, total) - np.interp(start[k], time_s, total)
            hours.append(passed / 3600.0 * (40.0 / film[k]) ** 1.5)
        return np.array(hours)

    def ours():
        return np.array(
            [
                drying.hours_between(*place, LAW, film[k], start[k], end)
                for k, place in enumerate(places)
            ]
        )

    seconds = in_turns({"plain NumPy pass": plain, "this": ours}, turns=30)
    apart = float(np.abs(plain() / ours() - 1.0).max())
    notes = {"plain NumPy pass": f"trapezium rule, up to {apart:.0e} off"}
    table(
        f"{INSTRUMENTS:,} clocks over {READINGS:,} readings of 5 places",
        seconds,
        "plain NumPy pass",
        notes,
    )
    assert seconds["this"] < 3.0 * seconds["plain NumPy pass"]


def test_thousand_instruments_each_in_air_of_its_own():
    series = [air_of_a_place(seed) for seed in range(20)]

    def plain():
        for k in range(INSTRUMENTS):
            time_s, air_c, rh_pct = series[k % 20]
            np.trapezoid(plain_rate(air_c, rh_pct), time_s)

    def ours():
        for k in range(INSTRUMENTS):
            drying.equivalent_hours(*series[k % 20], LAW, 50.0)

    seconds = in_turns({"plain NumPy pass": plain, "this": ours}, turns=3)
    table(
        f"{INSTRUMENTS:,} clocks, each over {READINGS:,} readings of its own",
        seconds,
        "plain NumPy pass",
        {},
    )
    assert seconds["this"] < 3.0 * seconds["plain NumPy pass"]
