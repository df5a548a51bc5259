"""Faults of sensors, put into what a sound one told, to see whether they are found.

Pure: arrays in, arrays out; chance comes from the generator that is handed in. ``tell`` makes a
sound sensor's readings out of true air, with the noise, the steps and the network of a real one.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from service.science import air

__all__ = [
    "COARSE",
    "FAULTS",
    "FINE",
    "QUIET",
    "Correction",
    "Fault",
    "Make",
    "Told",
    "between",
    "tell",
]

Floats = NDArray[np.float64]

HOUR_S = 3600.0

WETTEST_PCT = 105.0
"""The most that a wet sensor tells."""


@dataclass(frozen=True)
class Make:
    """A kind of sensor: noise, steps it tells, lag of its housing, uncertainty (sd)."""

    name: str
    noise_k: float
    noise_pct: float
    step_k: float
    step_pct: float
    lag_s: float
    sd_k: float = 0.3
    sd_pct: float = 2.0


FINE = Make("fine", noise_k=0.02, noise_pct=0.08, step_k=0.01, step_pct=0.01, lag_s=60.0)
"""The usual digital sensor read by a small board: class figures from data sheets."""

COARSE = Make("coarse", noise_k=0.05, noise_pct=0.3, step_k=0.1, step_pct=1.0, lag_s=180.0)
"""The usual battery sensor in a closed housing, telling tenths and whole per cent."""

QUIET = Make("quiet", noise_k=0.01, noise_pct=0.03, step_k=0.1, step_pct=1.0, lag_s=300.0)
"""The same, averaging over minutes: it may tell one value for hours in a still room."""


@dataclass(frozen=True)
class Correction:
    """An offset that begins to hold at an instant."""

    from_s: float
    air_k: float
    rh_pct: float


@dataclass(frozen=True, eq=False)
class Told:
    """What one sensor told, oldest first, and what was corrected; arrays of one length."""

    make: Make
    time_s: Floats
    received_s: Floats
    air_c: Floats
    rh_pct: Floats
    battery_pct: Floats
    corrections: tuple[Correction, ...] = ()


def tell(
    time_s: Floats, air_c: Floats, rh_pct: Floats, make: Make, rng: np.random.Generator
) -> Told:
    """Return what a sound sensor somewhere in a place tells of its true air.

    It stands at a spot of its own (0.3 K apart, of the same dew point), errs by a constant within
    its uncertainty, and loses one reading in two hundred. Its clock, a crystal's (40 ppm), is set
    once a day. Once in some days its network is gone for up to four hours: then it sends
    afterwards, oldest first, what it kept. Every other sensor is corrected once, rightly.
    """
    size = time_s.size
    error_k, error_pct = make.sd_k * rng.standard_normal(), make.sd_pct * rng.standard_normal()
    spot_c = air_c + 0.3 * rng.standard_normal()
    there_pct = rh_pct * air.saturation_pressure(air_c) / air.saturation_pressure(spot_c)
    shown_c = _lagging(time_s, spot_c, make.lag_s) + error_k
    shown_pct = _lagging(time_s, there_pct, make.lag_s) + error_pct
    shown_c += make.noise_k * rng.standard_normal(size)
    shown_pct += make.noise_pct * rng.standard_normal(size)
    late_s = 0.3 * rng.lognormal(0.0, 0.7, size)
    clock_s = 40e-6 * rng.standard_normal() * (time_s % 86400.0)
    check = Correction(
        from_s=float(rng.uniform(time_s[0], time_s[-1])),
        air_k=-error_k + 0.1 * rng.standard_normal(),
        rh_pct=-error_pct + rng.standard_normal(),
    )
    told = Told(
        make=make,
        time_s=time_s + clock_s,
        received_s=_after_outages(time_s, rng) + late_s,
        air_c=_stepped(shown_c, make.step_k),
        rh_pct=_stepped(np.clip(shown_pct, 0.0, WETTEST_PCT), make.step_pct),
        battery_pct=np.full(size, 80.0),
        corrections=(check,) if rng.random() < 0.5 else (),
    )
    return _picked(told, rng.random(size) > 0.005)


def between(told: Told, from_s: float, until_s: float) -> Told:
    """Return the readings of a stretch of time, its end left out."""
    return _picked(told, (told.time_s >= from_s) & (told.time_s < until_s))


# -- faults: what a sound sensor told, from when, and chance ---------------------------------------


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
            out = replace(out, air_c=np.where(at, _stepped(shown, told.make.step_k), out.air_c))
        if rh_pct is not None:
            shown = rh_pct + told.make.noise_pct * rng.standard_normal(told.time_s.size)
            told_pct = _stepped(np.clip(shown, 0.0, WETTEST_PCT), told.make.step_pct)
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
            rh_pct=np.where(at, _stepped(shown, told.make.step_pct), told.rh_pct),
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
    return _picked(replace(told, time_s=time_s), order[kept])


def _picked(told: Told, which: NDArray[np.bool_] | NDArray[np.int64]) -> Told:
    return replace(
        told,
        time_s=told.time_s[which],
        received_s=told.received_s[which],
        air_c=told.air_c[which],
        rh_pct=told.rh_pct[which],
        battery_pct=told.battery_pct[which],
    )


def _after_outages(time_s: Floats, rng: np.random.Generator) -> Floats:
    """Return when each reading was sent: at once, or after the outage that it fell into."""
    sent_s = time_s.copy()
    if time_s.size < 2:
        return sent_s
    days = (time_s[-1] - time_s[0]) / 86400.0
    for from_s in rng.uniform(time_s[0], time_s[-1], rng.poisson(days / 3.0)):
        until_s = from_s + rng.uniform(120.0, 4.0 * HOUR_S)
        kept = np.flatnonzero((time_s >= from_s) & (time_s < until_s))
        # Ten readings a second once the network is back.
        sent_s[kept] = np.maximum(sent_s[kept], until_s + 0.1 * np.arange(kept.size))
    return sent_s


def _lagging(time_s: Floats, value: Floats, lag_s: float) -> Floats:
    shown = value.copy()
    kept = np.exp(-np.diff(time_s, prepend=time_s[:1]) / lag_s)
    for i in range(1, value.size):
        shown[i] = value[i] + kept[i] * (shown[i - 1] - value[i])
    return shown


def _stepped(value: Floats, step: float) -> Floats:
    return np.round(np.round(value / step) * step, 6)
