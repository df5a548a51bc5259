"""Faults of sensors, put into what a sound one told, to see whether they are found.

Pure: arrays in, arrays out; chance comes from the generator that is handed in.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sensors.told import WETTEST_PCT, Correction, Told, picked, stepped

__all__ = ["FAULTS", "Fault"]

Floats = NDArray[np.float64]

HOUR_S = 3600.0


@dataclass(frozen=True)
class Fault:
    """A fault of one size: the flag that should find it, how long it lasts, and how to do it."""

    flag: str
    size: str
    lasts_s: float
    put: Callable[[Told, float, np.random.Generator], Told]


def _set(flag: str, air_c: float | None, rh_pct: float | None, size: str) -> Fault:
    def put(told: Told, from_s: float, rng: np.random.Generator) -> Told:
        at = _during(told, from_s, HOUR_S)
        out = told
        if air_c is not None:
            shown = air_c + told.make.noise_k * rng.standard_normal(told.time_s.size)
            out = replace(out, air_c=np.where(at, stepped(shown, told.make.step_k), out.air_c))
        if rh_pct is not None:
            shown = rh_pct + told.make.noise_pct * rng.standard_normal(told.time_s.size)
            told_pct = stepped(np.clip(shown, 0.0, WETTEST_PCT), told.make.step_pct)
            out = replace(out, rh_pct=np.where(at, told_pct, out.rh_pct))
        return out

    return Fault(flag, size, HOUR_S, put)


def _leap(flag: str, by_k: float, by_pct: float, lasts_s: float, size: str) -> Fault:
    """A step to a side that is free, and back after ``lasts_s``."""

    def put(told: Told, from_s: float, rng: np.random.Generator) -> Told:
        return _moved(told, _during(told, from_s, lasts_s), by_k, by_pct, rng)

    return Fault(flag, size, lasts_s, put)


def _spike(by_k: float, by_pct: float, readings: int, size: str) -> Fault:
    def put(told: Told, from_s: float, rng: np.random.Generator) -> Told:
        first = int(np.searchsorted(told.time_s, from_s))
        at = np.zeros(told.time_s.size, dtype=np.bool_)
        at[first : first + readings] = True
        return _moved(told, at, by_k, by_pct, rng)

    return Fault("spike", size, 300.0, put)


def _stuck(hours: float) -> Fault:
    def put(told: Told, from_s: float, _rng: np.random.Generator) -> Told:
        at = _during(told, from_s, hours * HOUR_S)
        first = max(int(np.searchsorted(told.time_s, from_s)) - 1, 0)
        return replace(
            told,
            air_c=np.where(at, told.air_c[first], told.air_c),
            rh_pct=np.where(at, told.rh_pct[first], told.rh_pct),
        )

    return Fault("stuck", f"held for {hours:g} h", hours * HOUR_S, put)


def _wrong_correction(by_k: float, by_pct: float, size: str) -> Fault:
    def put(told: Told, from_s: float, rng: np.random.Generator) -> Told:
        side = float(rng.choice([-1.0, 1.0]))
        made = Correction(from_s, side * by_k, side * by_pct)
        return replace(told, corrections=(*told.corrections, made))

    return Fault("jump_after_calibration", size, HOUR_S, put)


def _left_in_jar(size: str) -> Fault:
    """Over salt for two hours; corrected by little, and taken out at the same moment."""

    def put(told: Told, from_s: float, rng: np.random.Generator) -> Told:
        jar_s = 2.0 * HOUR_S
        at = _during(told, from_s - jar_s, jar_s)
        shown = 75.4 + told.make.noise_pct * rng.standard_normal(told.time_s.size)
        made = Correction(from_s, 0.0, 0.5)
        return replace(
            told,
            rh_pct=np.where(at, stepped(shown, told.make.step_pct), told.rh_pct),
            corrections=(*told.corrections, made),
        )

    return Fault("jump_after_calibration", size, 900.0, put)


def _clock_off(by_s: float, size: str) -> Fault:
    """Every instant wrong by the same, for six hours; below 0 the clock is behind."""

    def put(told: Told, from_s: float, _rng: np.random.Generator) -> Told:
        at = _during(told, from_s, 6.0 * HOUR_S)
        return _restamped(told, np.where(at, told.time_s + by_s, told.time_s))

    return Fault("clock_wrong", size, 6.0 * HOUR_S, put)


def _clock_drifts(ppm: float) -> Fault:
    """Wrong by more and more for twelve hours."""

    def put(told: Told, from_s: float, rng: np.random.Generator) -> Told:
        gone_s = np.clip(told.time_s - from_s, 0.0, None)
        at = gone_s < 12.0 * HOUR_S
        side = float(rng.choice([-1.0, 1.0])) if ppm < 2000.0 else -1.0  # far ahead is refused
        return _restamped(told, told.time_s + np.where(at, side * ppm * 1e-6 * gone_s, 0.0))

    return Fault("clock_drifting", f"{ppm:g} ppm", 12.0 * HOUR_S, put)


def _battery(pct: float) -> Fault:
    def put(told: Told, from_s: float, _rng: np.random.Generator) -> Told:
        at = _during(told, from_s, HOUR_S)
        return replace(told, battery_pct=np.where(at, pct, told.battery_pct))

    return Fault("battery_low", f"{pct:g} % left", HOUR_S, put)


FAULTS: tuple[Fault, ...] = (
    _set("range", 55.0, None, "air 55 °C"),
    _set("range", -38.0, None, "air −38 °C"),
    _set("range", None, 0.5, "0.5 % RH"),
    _set("range", None, 104.5, "104.5 % RH"),
    _leap("rate_of_change", 6.0, 0.0, HOUR_S, "leap of 6 K"),
    _leap("rate_of_change", 15.0, 0.0, HOUR_S, "leap of 15 K"),
    _leap("rate_of_change", 20.0, 0.0, HOUR_S, "leap of 20 K"),
    _leap("rate_of_change", 0.0, 20.0, HOUR_S, "leap of 20 % RH"),
    _leap("rate_of_change", 0.0, 45.0, HOUR_S, "leap of 45 % RH"),
    _stuck(0.75),
    _stuck(2.0),
    _stuck(8.0),
    _stuck(24.0),
    _spike(1.5, 0.0, 1, "1.5 K, one reading"),
    _spike(4.0, 0.0, 1, "4 K, one reading"),
    _spike(8.0, 0.0, 1, "8 K, one reading"),
    _spike(8.0, 0.0, 3, "8 K, three readings"),
    _spike(0.0, 6.0, 1, "6 % RH, one reading"),
    _spike(0.0, 15.0, 1, "15 % RH, one reading"),
    _spike(0.0, 30.0, 3, "30 % RH, three readings"),
    _wrong_correction(0.0, 5.0, "corrected by 5 % RH"),
    _wrong_correction(0.0, 10.0, "corrected by 10 % RH"),
    _wrong_correction(2.0, 0.0, "corrected by 2 K"),
    _left_in_jar("taken out of the jar as the correction begins"),
    _clock_off(20.0, "20 s ahead"),
    _clock_off(60.0, "60 s ahead"),
    _clock_off(-240.0, "4 min behind"),
    _clock_off(-600.0, "10 min behind"),
    _clock_off(-3600.0, "1 h behind"),
    _clock_drifts(200.0),
    _clock_drifts(1000.0),
    _clock_drifts(10_000.0),
    _clock_drifts(50_000.0),
    _leap("disagrees", 1.0, 0.0, 3.0 * HOUR_S, "off by 1 K"),
    _leap("disagrees", 2.5, 0.0, 3.0 * HOUR_S, "off by 2.5 K"),
    _leap("disagrees", 5.0, 0.0, 3.0 * HOUR_S, "off by 5 K"),
    _leap("disagrees", 0.0, 8.0, 3.0 * HOUR_S, "off by 8 % RH"),
    _leap("disagrees", 0.0, 20.0, 3.0 * HOUR_S, "off by 20 % RH"),
    _battery(12.0),
    _battery(5.0),
)
"""Each flag's fault, from a size that is too small to be sure to one that is plain."""


# -- small things ---------------------------------------------------------------------------------


def _during(told: Told, from_s: float, lasts_s: float) -> NDArray[np.bool_]:
    inside: NDArray[np.bool_] = (told.time_s >= from_s) & (told.time_s < from_s + lasts_s)
    return inside


def _moved(
    told: Told, at: NDArray[np.bool_], by_k: float, by_pct: float, rng: np.random.Generator
) -> Told:
    """Return the readings moved up or down by chance, humidity to the side where room is."""
    side = float(rng.choice([-1.0, 1.0]))
    if by_pct and at.any():
        side = -1.0 if told.rh_pct[at].mean() > 50.0 else 1.0
    return replace(
        told,
        air_c=told.air_c + side * by_k * at,
        rh_pct=np.clip(told.rh_pct + side * by_pct * at, 0.0, WETTEST_PCT),
    )


def _restamped(told: Told, time_s: Floats) -> Told:
    order = np.argsort(time_s, kind="stable")
    kept = np.concatenate([[True], np.diff(time_s[order]) > 0.0])  # an instant is told once
    return picked(replace(told, time_s=time_s), order[kept])
