"""What a sound sensor tells of true air: with the noise, the steps and the network of a real one.

Pure: arrays in, arrays out; chance comes from the generator that is handed in.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from service.science import air

__all__ = [
    "COARSE",
    "FINE",
    "QUIET",
    "WETTEST_PCT",
    "Correction",
    "Make",
    "Told",
    "between",
    "picked",
    "stepped",
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
        air_c=stepped(shown_c, make.step_k),
        rh_pct=stepped(np.clip(shown_pct, 0.0, WETTEST_PCT), make.step_pct),
        battery_pct=np.full(size, 80.0),
        corrections=(check,) if rng.random() < 0.5 else (),
    )
    return picked(told, rng.random(size) > 0.005)


def between(told: Told, from_s: float, until_s: float) -> Told:
    """Return the readings of a stretch of time, its end left out."""
    return picked(told, (told.time_s >= from_s) & (told.time_s < until_s))


def picked(told: Told, which: NDArray[np.bool_] | NDArray[np.int64]) -> Told:
    """Return some of the readings, by mask or index."""
    return replace(
        told,
        time_s=told.time_s[which],
        received_s=told.received_s[which],
        air_c=told.air_c[which],
        rh_pct=told.rh_pct[which],
        battery_pct=told.battery_pct[which],
    )


def stepped(value: Floats, step: float) -> Floats:
    """Return values as a sensor tells them, in whole steps."""
    return np.round(np.round(value / step) * step, 6)


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
