"""The air of a place now, out of the newest readings of its sensors."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from service.science import air as moist
from service.science import uncertainty

__all__ = ["Air", "SensorReading", "current_air"]

SURFACE_ASSUMED_SD_K = 0.5
"""Spread of a work surface about the air where no surface sensor is (assumed)."""

LEAST_RH_PCT = 1.0
"""A humidity below this is a failed sensor and not a dry room (assumed)."""

CONFLICT_SIGMA = 4.0
"""Sensors of one place that differ by more than this many standard deviations contradict."""


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


@dataclass(frozen=True)
class Air:
    """Moist-air state of a place, with standard deviations.

    ``trouble`` says why the air cannot be relied on (None: it can). ``dew_point_c`` is None in
    bone-dry air, which has no dew point.
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
    age and ``trouble`` set. Fresh sensors that contradict each other set ``trouble`` too.

    Returns
    -------
    Air or None
        None where the place never had a reading.
    """
    if not readings:
        return None
    fresh = [r for r in readings if (now - r.at).total_seconds() <= stale_after_s]
    used = fresh or [max(readings, key=lambda r: r.at)]
    as_of = max(r.at for r in used)
    age_s = max(0.0, (now - as_of).total_seconds())
    trouble = None
    if not fresh:
        trouble = f"the last reading is {_age(age_s)} old"
    elif (dry := min(used, key=lambda r: r.rh_pct)).rh_pct < LEAST_RH_PCT:
        trouble = f"sensor {dry.sensor} says {dry.rh_pct:.1f} % RH, which no room has"
    elif contradiction := _contradiction(used):
        trouble = contradiction
    air_c = _weighted([(r.air_c, r.air_sd_k) for r in used])
    rh_pct = _weighted([(r.rh_pct, r.rh_sd_pct) for r in used])
    air_sd_k = max(r.air_sd_k for r in used)  # sensors of one make share their error
    rh_sd_pct = max(r.rh_sd_pct for r in used)
    surfaces = [r.surface_c for r in used if r.surface_c is not None]
    pressures = [r.pressure_pa for r in used if r.pressure_pa is not None]
    pressure = sum(pressures) / len(pressures) if pressures else pressure_pa
    return _state(
        as_of=as_of,
        age_s=age_s,
        air_c=air_c,
        rh_pct=rh_pct,
        # The coldest measured surface is the one that sweats first.
        surface_c=min(surfaces) if surfaces else air_c,
        surface_measured=bool(surfaces),
        pressure_pa=pressure,
        air_sd_k=air_sd_k,
        rh_sd_pct=rh_sd_pct,
        sensors=tuple(sorted(r.sensor for r in used)),
        trouble=trouble,
    )


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
) -> Air:
    ratio = float(moist.humidity_ratio(air_c, rh_pct, pressure_pa))
    bone_dry = rh_pct <= 0.0
    dew_point = None if bone_dry else float(moist.dew_point(air_c, rh_pct))
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
        dew_point_c=dew_point if dew_point is None or math.isfinite(dew_point) else None,
        dew_point_sd_k=float(uncertainty.dew_point_sd(air_c, rh_pct, air_sd_k, rh_sd_pct)),
        wet_bulb_c=float(moist.wet_bulb(air_c, rh_pct, pressure_pa)),
        humidity_ratio_g_kg=ratio * 1000.0,
        absolute_humidity_g_m3=float(moist.absolute_humidity(air_c, rh_pct)) * 1000.0,
        trouble=trouble,
    )


def _weighted(values: Sequence[tuple[float, float]]) -> float:
    weights = [1.0 / (sd * sd) for _, sd in values]
    return sum(w * v for w, (v, _) in zip(weights, values, strict=True)) / sum(weights)


def _contradiction(readings: Sequence[SensorReading]) -> str | None:
    for i, a in enumerate(readings):
        for b in readings[i + 1 :]:
            air_limit = CONFLICT_SIGMA * math.hypot(a.air_sd_k, b.air_sd_k)
            rh_limit = CONFLICT_SIGMA * math.hypot(a.rh_sd_pct, b.rh_sd_pct)
            if abs(a.air_c - b.air_c) > air_limit:
                return f"sensors {a.sensor} and {b.sensor} differ by {abs(a.air_c - b.air_c):.1f} K"
            if abs(a.rh_pct - b.rh_pct) > rh_limit:
                return (
                    f"sensors {a.sensor} and {b.sensor} differ by "
                    f"{abs(a.rh_pct - b.rh_pct):.0f} % RH"
                )
    return None


def _age(seconds: float) -> str:
    if seconds < 90:
        return f"{seconds:.0f} s"
    if seconds < 5400:
        return f"{seconds / 60:.0f} min"
    if seconds < 172800:
        return f"{seconds / 3600:.0f} h"
    return f"{seconds / 86400:.0f} days"
