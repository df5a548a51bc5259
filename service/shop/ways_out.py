"""What would turn a *wait* into a *spray*: each way is tried on the same limits and film model."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from service.science import air as moist
from service.science import film
from service.shop.gauges import Cases, Gauge, gauges_of
from service.shop.said import say

__all__ = ["WayOut", "ways_out"]

WARM_STEPS_K = np.arange(0.5, 12.01, 0.5)
DRY_STEPS = np.linspace(0.02, 0.80, 40)
RETARDER_STEPS_PCT = np.array([5.0, 10.0, 15.0, 20.0])
THINNER_STEPS = np.array([0.8, 0.65, 0.5])

_OF_THE_COAT = {"blush_margin", "haze_margin"}
"""Limits that another mix or a thinner coat may clear."""


@dataclass(frozen=True)
class WayOut:
    """One thing to do, how much of it, and until when where that is known.

    ``kind``: wait, warm, dry, warm_work, retarder, thinner_coat or reading.
    """

    kind: str
    text: str
    amount: float | None
    unit: str
    until: datetime | None = None


def ways_out(cases: Cases, gauges: tuple[Gauge, ...]) -> tuple[WayOut, ...]:
    """List what would clear every limit that blocks, the least effort first.

    The limits are those after a *wait*, which ask for a little more: whoever does as told must not
    be told to wait again.
    """
    blocking = {gauge.what for gauge in gauges if not gauge.holds(0)}
    if not blocking:
        return ()
    tried = (
        _warm_work(cases),
        _retarder(cases) if blocking & _OF_THE_COAT else None,
        _thinner(cases) if blocking <= _OF_THE_COAT else None,
        _warm(cases),
        *_dry(cases),
    )
    return tuple(way for way in tried if way is not None) or (
        WayOut(
            "wait", say("wait for other air; no single change here clears every limit"), None, ""
        ),
    )


def _first(cases: Cases) -> int | None:
    holds = np.all([gauge.all_hold() for gauge in gauges_of(cases, after_wait=True)], axis=0)
    return int(np.argmax(holds)) if holds.any() else None


def _warm(cases: Cases) -> WayOut | None:
    """Warm air and work together; the water in the air stays what it is."""
    air = cases.air
    most = min(float(WARM_STEPS_K[-1]), film.AIR_MAX_C - max(air.air_c, air.surface_c))
    steps = WARM_STEPS_K[most >= WARM_STEPS_K]
    if steps.size == 0:
        return None
    warmer = air.air_c + steps
    ratio = np.full_like(warmer, air.humidity_ratio_g_kg / 1000.0)
    rh = np.clip(moist.relative_humidity(warmer, ratio, air.pressure_pa), 0.0, 100.0)
    found = _first(cases.changed(air_c=warmer, rh_pct=rh, surface_c=air.surface_c + steps))
    if found is None:
        return None
    by = float(steps[found])
    return WayOut("warm", say("warm the air and the work by {by:.1f} K", by=by), by, "K")


def _dry(cases: Cases) -> tuple[WayOut | None, ...]:
    air = cases.air
    ratio = air.humidity_ratio_g_kg / 1000.0
    left = ratio * (1.0 - DRY_STEPS)
    rh: NDArray[np.float64] = np.asarray(
        moist.relative_humidity(np.full_like(left, air.air_c), left, air.pressure_pa)
    )
    found = _first(cases.changed(rh_pct=np.clip(rh, 0.0, 100.0)))
    if found is None:
        return ()
    out_g_kg = (ratio - float(left[found])) * 1000.0
    dew_point = float(moist.dew_point(air.air_c, float(rh[found])))
    return (
        WayOut(
            "dry",
            say("dry the air by {out_g_kg:.1f} g of water per kg of air", out_g_kg=out_g_kg),
            out_g_kg,
            "g/kg",
        ),
        WayOut(
            "wait",
            say("wait for a dew point of {dew_point:.1f} °C or lower", dew_point=dew_point),
            dew_point,
            "°C",
        ),
    )


def _warm_work(cases: Cases) -> WayOut | None:
    """Let a cold piece come up to the air around it."""
    air = cases.air
    if not air.surface_measured or air.surface_c >= air.air_c - 0.5:
        return None
    if _first(cases.changed(surface_c=np.array([air.air_c]))) is None:
        return None
    return WayOut(
        "warm_work",
        say("let the work warm up to the air, by {air_c:.1f} K", air_c=air.air_c - air.surface_c),
        air.air_c - air.surface_c,
        "K",
    )


def _retarder(cases: Cases) -> WayOut | None:
    if cases.material.retarder is None:
        return None
    more = RETARDER_STEPS_PCT[cases.coating.retarder_pct < RETARDER_STEPS_PCT]
    if more.size == 0:
        return None
    found = _first(cases.changed(retarder_pct=more))
    if found is None:
        return None
    percent = float(more[found])
    return WayOut(
        "retarder",
        say("{percent:.0f} % retarder in the mix, where its data sheet allows it", percent=percent),
        percent,
        "%",
    )


def _thinner(cases: Cases) -> WayOut | None:
    wet = cases.coating.wet_um * THINNER_STEPS
    wet = wet[wet >= film.WET_MIN_UM]
    if wet.size == 0:
        return None
    found = _first(cases.changed(wet_um=wet))
    if found is None:
        return None
    thin = float(wet[found])
    return WayOut("thinner_coat", say("lighter coats, {thin:.0f} µm wet", thin=thin), thin, "µm")
