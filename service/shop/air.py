"""The air of a place now, out of the newest readings of its sensors.

A flagged reading never carries the air: it is left out while another can be relied on, and where
none can, the air is shown with its trouble. Of three sensors or more, one that is apart from the
others is outvoted.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import TypedDict

from service.science import air as moist
from service.science import uncertainty
from service.shop.consensus import consensus
from service.shop.quality import Flag, words_of
from service.shop.quality.limits import DISAGREES_SD
from service.shop.said import say

__all__ = ["Air", "LeftOut", "SensorReading", "altered", "current_air"]

NO_FLAG = Flag(0)

SURFACE_ASSUMED_SD_K = 0.5
"""Spread of a work surface about the air where no surface sensor is (assumed)."""

LEAST_RH_PCT = 1.0
"""A humidity below this is a failed sensor and not a dry room (assumed)."""

SHARED_VARIANCE = 0.5
"""Part of a sensor's error variance that the others have alike: sensors of one make, corrected by
one pair of jars, err together (assumed)."""

WIDEST_K, WIDEST_PCT = 20.0, 50.0
"""Sensors that contradict each other so widely tell nothing; said as no wider than this."""


@dataclass(frozen=True)
class SensorReading:
    """The newest corrected reading of one sensor, with its uncertainty (standard deviations)."""

    sensor: str
    at: datetime
    air_c: float
    rh_pct: float
    surface_c: float | None
    pressure_pa: float | None
    air_sd_k: float
    rh_sd_pct: float
    flags: Flag = NO_FLAG


@dataclass(frozen=True)
class LeftOut:
    """A sensor that was heard and not believed, and why, in words that follow its name."""

    sensor: str
    why: str


@dataclass(frozen=True)
class Air:
    """Moist-air state of a place, with standard deviations.

    ``trouble`` says why the air cannot be relied on (None: it can). ``dew_point_c`` is None in
    bone-dry air, which has no dew point. ``sensors`` are those it was made of; ``left_out`` those
    that were fresh too, but flagged or outvoted.
    """

    as_of: datetime
    age_s: float
    air_c: float
    rh_pct: float
    surface_c: float
    surface_measured: bool
    pressure_pa: float
    air_sd_k: float
    rh_sd_pct: float
    sensors: tuple[str, ...]
    dew_point_c: float | None
    dew_point_sd_k: float
    wet_bulb_c: float
    humidity_ratio_g_kg: float
    absolute_humidity_g_m3: float
    trouble: str | None = None
    left_out: tuple[LeftOut, ...] = ()

    @property
    def dew_point_margin_k(self) -> float | None:
        """Surface temperature minus dew point."""
        return None if self.dew_point_c is None else self.surface_c - self.dew_point_c


def current_air(
    readings: Sequence[SensorReading],
    *,
    now: datetime,
    stale_after_s: float,
    pressure_pa: float,
) -> Air | None:
    """Combine the newest readings of a place's sensors.

    Only fresh readings count where any is fresh; where none is, the newest one is shown with its
    age and ``trouble`` set. Flagged ones are left out; where all fresh ones are flagged, or those
    left contradict each other, ``trouble`` is set. The mean is weighted, and its uncertainty holds
    what the sensors' errors share and the spread of the air itself across the place.

    Returns
    -------
    Air or None
        None where the place never had a reading.
    """
    if not readings:
        return None
    # In one order, so that the same readings are told in the same words.
    readings = sorted(readings, key=lambda r: r.sensor)
    fresh = [r for r in readings if (now - r.at).total_seconds() <= stale_after_s]
    if fresh:
        used, left_out, trouble = _relied_on(fresh)
    else:
        used, left_out = [max(readings, key=lambda r: r.at)], []
        trouble = say("the last reading is {age} old", age=_age((now - used[0].at).total_seconds()))
    as_of = max(r.at for r in used)
    air_c, air_sd_k = _combined([r.air_c for r in used], [r.air_sd_k for r in used], WIDEST_K)
    rh_pct, rh_sd_pct = _combined([r.rh_pct for r in used], [r.rh_sd_pct for r in used], WIDEST_PCT)
    pressures = [r.pressure_pa for r in used if r.pressure_pa is not None]
    surface_c, surface_measured = _surface(air_c, used, fresh)
    return _state(
        as_of=as_of,
        age_s=max(0.0, (now - as_of).total_seconds()),
        air_c=air_c,
        rh_pct=rh_pct,
        surface_c=surface_c,
        surface_measured=surface_measured,
        pressure_pa=sum(pressures) / len(pressures) if pressures else pressure_pa,
        air_sd_k=air_sd_k,
        rh_sd_pct=rh_sd_pct,
        sensors=tuple(sorted(r.sensor for r in used)),
        trouble=trouble,
        left_out=tuple(left_out),
    )


def altered(
    air: Air,
    *,
    air_c: float | None = None,
    rh_pct: float | None = None,
    surface_c: float | None = None,
    surface_measured: bool | None = None,
) -> Air:
    """Return the air as it would be with other figures; what is not given stays.

    Everything that follows from air temperature and humidity follows from the new ones.
    """
    return _state(
        as_of=air.as_of,
        age_s=air.age_s,
        air_c=air.air_c if air_c is None else air_c,
        rh_pct=air.rh_pct if rh_pct is None else rh_pct,
        surface_c=air.surface_c if surface_c is None else surface_c,
        surface_measured=air.surface_measured if surface_measured is None else surface_measured,
        pressure_pa=air.pressure_pa,
        air_sd_k=air.air_sd_k,
        rh_sd_pct=air.rh_sd_pct,
        sensors=air.sensors,
        trouble=air.trouble,
        left_out=air.left_out,
    )


def _relied_on(
    fresh: Sequence[SensorReading],
) -> tuple[list[SensorReading], list[LeftOut], str | None]:
    """Return the readings to be used, those left out, and what is wrong with those used."""
    sound = [r for r in fresh if not r.flags]
    if not sound:
        told = "; ".join(
            say("sensor {name} {flags}", name=r.sensor, flags=words_of(r.flags)) for r in fresh
        )
        return list(fresh), [], told
    left_out = [LeftOut(r.sensor, words_of(r.flags)) for r in fresh if r.flags]
    used = _majority(sound)
    left_out += [LeftOut(r.sensor, _apart_from(r, used)) for r in sound if r not in used]
    return used, left_out, _dry(used) or _contradiction(used)


def _majority(sound: list[SensorReading]) -> list[SensorReading]:
    """Return the readings that are with the others; all, where there is no majority.

    A reading is outvoted that contradicts more than half of the others.
    """
    if len(sound) < 3:
        return sound
    kept = [r for r in sound if 2 * sum(_apart(r, o) is not None for o in sound) < len(sound)]
    return kept if 2 * len(kept) > len(sound) else sound


def _apart_from(reading: SensorReading, others: Sequence[SensorReading]) -> str:
    by_k = reading.air_c - consensus([r.air_c for r in others], [r.air_sd_k for r in others]).mean
    by = reading.rh_pct - consensus([r.rh_pct for r in others], [r.rh_sd_pct for r in others]).mean
    if abs(by_k) / reading.air_sd_k >= abs(by) / reading.rh_sd_pct:
        return say("says {by_k:.1f} K {side} the others", by_k=abs(by_k), side=_side(by_k))
    return say("says {by:.0f} % RH {side} the others", by=abs(by), side=_side(by))


def _side(difference: float) -> str:
    return say("more than") if difference > 0.0 else say("less than")


def _combined(values: Sequence[float], sds: Sequence[float], widest: float) -> tuple[float, float]:
    """Return the weighted mean, and the standard deviation of the air at any spot about it."""
    found = consensus(values, sds)
    own, shared = (1.0 - SHARED_VARIANCE) * found.sd**2, SHARED_VARIANCE * found.shared_sd**2
    return found.mean, min(math.sqrt(own + shared + found.between_sd**2), widest)


def _surface(
    air_c: float, used: Sequence[SensorReading], fresh: Sequence[SensorReading]
) -> tuple[float, bool]:
    """Return the coldest surface, which sweats first, and whether it was measured.

    A sensor that is left out may still make the surface colder, and never warmer.
    """
    measured = [r.surface_c for r in used if r.surface_c is not None]
    coldest = min(measured, default=air_c)
    doubtful = [r.surface_c for r in fresh if r.surface_c is not None and r.surface_c < coldest]
    return min(doubtful, default=coldest), bool(measured or doubtful)


def _state(
    *,
    as_of: datetime,
    age_s: float,
    air_c: float,
    rh_pct: float,
    surface_c: float,
    surface_measured: bool,
    pressure_pa: float,
    air_sd_k: float,
    rh_sd_pct: float,
    sensors: tuple[str, ...],
    trouble: str | None,
    left_out: tuple[LeftOut, ...],
) -> Air:
    return Air(
        as_of=as_of,
        age_s=age_s,
        air_c=air_c,
        rh_pct=rh_pct,
        surface_c=surface_c,
        surface_measured=surface_measured,
        pressure_pa=pressure_pa,
        air_sd_k=air_sd_k,
        rh_sd_pct=rh_sd_pct,
        sensors=sensors,
        trouble=trouble,
        left_out=left_out,
        **_moist(air_c, rh_pct, pressure_pa, air_sd_k, rh_sd_pct),
    )


class _Moist(TypedDict):
    """What follows from temperature, humidity and pressure of the air."""

    dew_point_c: float | None
    dew_point_sd_k: float
    wet_bulb_c: float
    humidity_ratio_g_kg: float
    absolute_humidity_g_m3: float


@lru_cache(maxsize=256)  # the same air is asked about again and again until the next reading
def _moist(
    air_c: float, rh_pct: float, pressure_pa: float, air_sd_k: float, rh_sd_pct: float
) -> _Moist:
    dew_point = None if rh_pct <= 0.0 else float(moist.dew_point(air_c, rh_pct))
    return {
        "dew_point_c": dew_point if dew_point is None or math.isfinite(dew_point) else None,
        "dew_point_sd_k": float(uncertainty.dew_point_sd(air_c, rh_pct, air_sd_k, rh_sd_pct)),
        "wet_bulb_c": float(moist.wet_bulb(air_c, rh_pct, pressure_pa)),
        "humidity_ratio_g_kg": float(moist.humidity_ratio(air_c, rh_pct, pressure_pa)) * 1000.0,
        "absolute_humidity_g_m3": float(moist.absolute_humidity(air_c, rh_pct)) * 1000.0,
    }


def _dry(readings: Sequence[SensorReading]) -> str | None:
    driest = min(readings, key=lambda r: r.rh_pct)
    if driest.rh_pct >= LEAST_RH_PCT:
        return None
    return say(
        "sensor {sensor} says {rh_pct:.1f} % RH, which no room has",
        sensor=driest.sensor,
        rh_pct=driest.rh_pct,
    )


def _contradiction(readings: Sequence[SensorReading]) -> str | None:
    for one, other in itertools.combinations(readings, 2):
        if by := _apart(one, other):
            return say(
                "sensors {sensor} and {sensor2} differ by {by}",
                sensor=one.sensor,
                sensor2=other.sensor,
                by=by,
            )
    return None


def _apart(one: SensorReading, other: SensorReading) -> str | None:
    """Return by how much two readings contradict each other; None where they do not."""
    air_k, rh = abs(one.air_c - other.air_c), abs(one.rh_pct - other.rh_pct)
    if air_k > DISAGREES_SD * math.hypot(one.air_sd_k, other.air_sd_k):
        return say("{air_k:.1f} K", air_k=air_k)
    if rh > DISAGREES_SD * math.hypot(one.rh_sd_pct, other.rh_sd_pct):
        return say("{rh:.0f} % RH", rh=rh)
    return None


def _age(seconds: float) -> str:
    if seconds < 90:
        return say("{seconds:.0f} s", seconds=seconds)
    if seconds < 5400:
        return say("{seconds:.0f} min", seconds=seconds / 60)
    if seconds < 172800:
        return say("{seconds:.0f} h", seconds=seconds / 3600)
    return say("{seconds:.0f} days", seconds=seconds / 86400)
