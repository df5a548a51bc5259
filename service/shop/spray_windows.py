"""Spray windows: when the spray check will say *spray*, by the outlook's courses of the air.

Every course is put to the same limits as the check (:func:`gauges_of`), with the same stricter
limits after a *wait*; only the film is read off a table instead of followed anew.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from service.science import air as moist
from service.shop.air import Air
from service.shop.film_table import FilmTable
from service.shop.gauges import Cases, gauges_of
from service.shop.haze import clouds_from
from service.shop.materials import Coating, Material
from service.shop.outlook import Paths, likely_windows
from service.shop.wet import in_model

__all__ = ["STEPS_H", "SprayWindow", "allowed", "from_then_on", "next_window", "spray_windows"]

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

STEPS_H: Floats = np.arange(1, 48 * 6 + 1) / 6.0
"""Every ten minutes of the next 48 h."""

LIKELY = 0.5
SHORTEST_H = 0.5

WORK_FOLLOWS_H = 2.0
"""Time constant with which the work's distance from the air fades (assumed)."""


@dataclass(frozen=True)
class SprayWindow:
    """A stretch in which *spray* is the likelier answer.

    ``probability`` is the mean chance of it over the stretch, ``throughout`` that of all of it.
    ``open_now``: it has begun.
    """

    start_at: datetime
    end_at: datetime
    probability: float
    throughout: float
    open_now: bool = False

    @property
    def hours(self) -> float:
        """Length."""
        return (self.end_at - self.start_at) / timedelta(hours=1)


def allowed(
    paths: Paths,
    air: Air,
    material: Material,
    coating: Coating,
    table: FilmTable | None,
    *,
    spraying: bool,
) -> Bools:
    """Ask the check's limits along every course: (paths, horizons), true where all hold.

    Parameters
    ----------
    paths : Paths
        At rising horizons.
    air : Air
        Of the place now: what its sensors are worth, and how far the work is from the air.
    table : FilmTable, optional
        Of this material and coat; unset where the material does not blush.
    spraying : bool
        Whether the answer now is *spray*; after any other each limit asks for a little more.
    """
    shape = paths.air_c.shape
    off_k = (air.surface_c - air.air_c) * np.exp(-paths.horizon_h / WORK_FOLLOWS_H)
    cases = _cases(paths, air, material, coating, table, np.broadcast_to(off_k, shape))
    usual, strict = (
        np.all([g.all_hold() for g in gauges_of(cases, after_wait=after_wait)], axis=0).reshape(
            shape
        )
        for after_wait in (False, True)
    )
    out = np.empty(shape, dtype=np.bool_)
    says = np.full(shape[0], spraying)
    for step in range(shape[1]):
        says = np.where(says, usual[:, step], strict[:, step])
        out[:, step] = says
    return out


def _cases(
    paths: Paths,
    air: Air,
    material: Material,
    coating: Coating,
    table: FilmTable | None,
    off_k: Floats,
) -> Cases:
    air_c, dew_c, off = (x.ravel() for x in (paths.air_c, paths.dew_point_c, off_k))
    rh = np.asarray(moist.rh_at_dew_point(np.clip(air_c, -40.0, 60.0), np.clip(dew_c, -90.0, 60.0)))
    floor, sd = np.full_like(air_c, np.nan), np.zeros_like(air_c)
    one, haze = np.ones_like(air_c), np.full_like(air_c, np.inf)
    if table is not None:
        floor, sd = table.film(air_c, air_c - dew_c, off)
        haze = clouds_from(
            material,
            coating,
            air_c,
            air_c + off,
            air.pressure_pa,
            wet_um=in_model(coating).wet_um * one,
            retarder_pct=coating.retarder_pct * one,
        )
    return Cases(
        air=air,
        material=material,
        coating=coating,
        air_c=air_c,
        rh_pct=np.clip(rh, 0.0, 100.0),
        surface_c=air_c + off,
        wet_um=coating.wet_um * one,
        retarder_pct=coating.retarder_pct * one,
        dew_point_c=dew_c,
        floor_c=floor,
        haze_dew_c=haze,
        blush_sd_k=sd,
        blush_probability=0.0,
        condensed_at_set_g_m2=0.0,
        flash_off_s=0.0,
    )


def spray_windows(paths: Paths, may: Bools, now: datetime) -> tuple[SprayWindow, ...]:
    """Find the likely stretches from ``now`` on, earliest first."""
    now_s = now.timestamp()
    found = likely_windows(paths, may, at_least=LIKELY, shortest_h=SHORTEST_H)
    return tuple(
        SprayWindow(
            datetime.fromtimestamp(max(w.start_s, now_s), UTC),
            datetime.fromtimestamp(w.end_s, UTC),
            w.probability,
            w.throughout,
            open_now=w.start_s <= now_s,
        )
        for w in found
        if w.end_s > now_s
    )


def from_then_on(
    windows: Sequence[SprayWindow], ready_at: datetime | None
) -> tuple[SprayWindow, ...]:
    """Leave out what comes before a coat may go on; None: it may."""
    if ready_at is None:
        return tuple(windows)
    later = [w for w in windows if w.end_at - ready_at >= timedelta(hours=SHORTEST_H)]
    return tuple(
        w if w.start_at >= ready_at else replace(w, start_at=ready_at, open_now=False)
        for w in later
    )


def next_window(windows: Sequence[SprayWindow]) -> SprayWindow | None:
    """Return the earliest one."""
    return windows[0] if windows else None
