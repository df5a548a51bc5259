"""What is judged, and the names of the judgements."""

from __future__ import annotations

import enum
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

__all__ = ["NAMES", "NOT_COUNTED", "WORDS", "Course", "Flag", "names_of", "words_of"]

Floats = NDArray[np.float64]


class Flag(enum.IntFlag):
    """What is wrong with a reading. The bits are kept in databases: never renumber.

    ``AWAY`` is known from the shop's record (a sensor in a jar, or out of use) and not from the
    readings; the others are judged.
    """

    RANGE = 1
    RATE = 2
    STUCK = 4
    SPIKE = 8
    JUMP = 16
    CLOCK = 32
    DRIFT = 64
    DISAGREES = 128
    BATTERY = 256
    AWAY = 512


NAMES: Mapping[Flag, str] = MappingProxyType(
    {
        Flag.RANGE: "range",
        Flag.RATE: "rate_of_change",
        Flag.STUCK: "stuck",
        Flag.SPIKE: "spike",
        Flag.JUMP: "jump_after_calibration",
        Flag.CLOCK: "clock_wrong",
        Flag.DRIFT: "clock_drifting",
        Flag.DISAGREES: "disagrees",
        Flag.BATTERY: "battery_low",
        Flag.AWAY: "away",
    }
)
"""The words of the API."""

NOT_COUNTED = Flag.RANGE | Flag.SPIKE | Flag.CLOCK | Flag.AWAY
"""Readings with one of these tell nothing of the air of their instant: a roll-up leaves them out.
Under any other flag they may be right, and are counted with their flag told."""

WORDS: Mapping[Flag, str] = MappingProxyType(
    {
        Flag.RANGE: "says what no room has",
        Flag.RATE: "changed faster than air does",
        Flag.STUCK: "has not moved for long",
        Flag.SPIKE: "leapt and came back",
        Flag.JUMP: "jumped when it was corrected",
        Flag.CLOCK: "has a wrong clock",
        Flag.DRIFT: "has a clock that drifts",
        Flag.DISAGREES: "contradicts the other sensors here",
        Flag.BATTERY: "has a low battery",
        Flag.AWAY: "is away from its place",
    }
)
"""What a person is told; the sensor's name stands before it."""


def names_of(flags: int) -> tuple[str, ...]:
    """Return the words for the bits of ``flags``, in their order; unknown bits have none."""
    return tuple(name for flag, name in NAMES.items() if flags & flag)


def words_of(flags: int) -> str:
    """Return what a person is told of ``flags``, to follow the sensor's name."""
    return " and ".join(words for flag, words in WORDS.items() if flags & flag)


@dataclass(frozen=True, eq=False)
class Course:
    """One sensor's readings, oldest first; arrays of one length.

    Attributes
    ----------
    time_s, received_s : array
        Instant of the reading and of its receipt, seconds since 1970.
    air_c, rh_pct : array
        Corrected air temperature [°C] and relative humidity [%]; finite.
    raw_air_c, raw_rh_pct : array
        As the sensor sent them; finite.
    pressure_pa, battery_pct : array
        NaN where not sent.
    air_sd_k, rh_sd_pct : float
        The sensor's standard uncertainty; above 0.
    corrected_from_s : tuple of float
        Instants at which a correction began to hold, or ended.

    Raises
    ------
    ValueError
        Naming the array that differs in length.
    """

    time_s: Floats
    received_s: Floats
    air_c: Floats
    rh_pct: Floats
    raw_air_c: Floats
    raw_rh_pct: Floats
    pressure_pa: Floats
    battery_pct: Floats
    air_sd_k: float
    rh_sd_pct: float
    corrected_from_s: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        """Check the lengths."""
        for name in ("received_s", "air_c", "rh_pct", "raw_air_c", "raw_rh_pct", "pressure_pa",
                     "battery_pct"):  # fmt: skip
            if len(getattr(self, name)) != len(self.time_s):
                raise ValueError(
                    f"{name}: {len(getattr(self, name))} values, but time_s has {len(self.time_s)}"
                )
