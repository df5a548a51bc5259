"""Courses of readings for the tests of their quality."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from service.shop.quality import NAMES, Course, flags_of

START_S = 1_780_000_000.0
COLUMNS = (
    "time_s",
    "received_s",
    "air_c",
    "rh_pct",
    "raw_air_c",
    "raw_rh_pct",
    "pressure_pa",
    "battery_pct",
)


def course(
    time_s: ArrayLike,
    air_c: ArrayLike = 20.0,
    rh_pct: ArrayLike = 50.0,
    *,
    delay_s: ArrayLike = 0.3,
    battery_pct: ArrayLike = np.nan,
    corrected_by: tuple[ArrayLike, ArrayLike] = (0.0, 0.0),
    corrected_from_s: tuple[float, ...] = (),
    sd: tuple[float, float] = (0.3, 2.0),
) -> Course:
    """A course; times count from a start, single values hold throughout."""
    time = START_S + np.asarray(time_s, dtype=float)

    def all_of(value: ArrayLike) -> np.ndarray:
        return np.array(np.broadcast_to(np.asarray(value, dtype=float), time.shape))

    return Course(
        time_s=time,
        received_s=time + all_of(delay_s),
        air_c=all_of(air_c) + all_of(corrected_by[0]),
        rh_pct=all_of(rh_pct) + all_of(corrected_by[1]),
        raw_air_c=all_of(air_c),
        raw_rh_pct=all_of(rh_pct),
        pressure_pa=all_of(np.nan),
        battery_pct=all_of(battery_pct),
        air_sd_k=sd[0],
        rh_sd_pct=sd[1],
        corrected_from_s=tuple(START_S + at for at in corrected_from_s),
    )


def minutes(hours: float, every_s: float = 60.0) -> np.ndarray:
    """Even times from 0 on."""
    return np.arange(0.0, hours * 3600.0 + 1.0, every_s)


def breathing(time_s: np.ndarray, seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """Air that a fine sensor tells in a quiet room: slow waves and its own noise."""
    rng = np.random.default_rng(seed)
    air_c = 20.0 + np.sin(time_s / 7000.0) + 0.02 * rng.standard_normal(time_s.size)
    rh_pct = 50.0 - 3.0 * np.sin(time_s / 7000.0) + 0.08 * rng.standard_normal(time_s.size)
    return np.round(air_c, 2), np.round(rh_pct, 2)


def part(whole: Course, from_s: float, until_s: float) -> Course:
    """The readings of a stretch, both ends included."""
    here = (whole.time_s >= from_s) & (whole.time_s <= until_s)
    return picked(whole, here)


def picked(whole: Course, which: np.ndarray) -> Course:
    """Some of the readings."""
    return replace(whole, **{name: getattr(whole, name)[which] for name in COLUMNS})


def marked(found: Course, word: str, mates: Sequence[Course] = ()) -> np.ndarray:
    """Where a flag is, by its word."""
    flag = next(flag for flag, name in NAMES.items() if name == word)
    return (flags_of(found, mates) & flag) > 0
