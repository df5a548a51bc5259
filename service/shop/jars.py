"""The two-jar check as a person does it: which salts, what the jars said, what follows from them.

Imports ``science`` and the standard library only.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from service.science.salts import TwoJarCheck, equilibrium_rh, two_jar_check
from service.shop.said import say

__all__ = [
    "LEAST_APART_PCT",
    "MOST_OFF_PCT",
    "OWN_SD_PCT",
    "USUAL_SALTS",
    "Jar",
    "JarError",
    "Outcome",
    "is_apart",
    "outcome",
]

USUAL_SALTS = ("sodium chloride", "magnesium chloride")
"""Table salt and a desiccant salt: 75 and 33 % RH, with the workshop's air between them. Common
practice."""

LEAST_APART_PCT = 20.0
"""Two salts nearer than this tell no slope."""

MOST_OFF_PCT = 15.0
"""A sensor further off than this is past correcting, or was in the other jar."""

COLDEST_C, WARMEST_C = 15.0, 30.0
"""Where the salts' uncertainty is published."""

MOST_SD_PCT, MOST_JAR_SD_K = 5.0, 2.0
"""More than this is no reading of a jar."""

OWN_SD_PCT = 1.0
"""What a checked sensor adds by itself: hysteresis (0.8 % RH, data sheets of the usual digital
sensors) and drift until the next check (0.5 %, the same)."""

HOLDS_PCT = (20.0, 80.0)
"""Where the corrected sensor is meant to be used; the worse end tells its uncertainty."""


@dataclass(frozen=True)
class Jar:
    """What one jar said: humidity as sent, and temperature, with what both are uncertain by."""

    salt: str
    air_c: float
    rh_pct: float
    rh_sd_pct: float
    jar_sd_k: float

    @property
    def truth_pct(self) -> float:
        """Humidity over the salt at the jar's own temperature."""
        return float(equilibrium_rh(self.salt, self.air_c))


class JarError(ValueError):
    """Two jars from which nothing follows; ``jar`` is 0 or 1 where one of them is to blame."""

    def __init__(self, reason: str, jar: int | None = None) -> None:
        super().__init__(reason)
        self.jar = jar


@dataclass(frozen=True)
class Outcome:
    """``true = slope * sent + offset_pct``, and the standard uncertainty of what comes of it."""

    slope: float
    offset_pct: float
    sd_pct: float
    check: TwoJarCheck


def is_apart(one: str, other: str) -> bool:
    """Whether two salts are far enough apart for a check (at 20 °C)."""
    return abs(equilibrium_rh(one, 20.0) - equilibrium_rh(other, 20.0)) >= LEAST_APART_PCT


def outcome(jars: Sequence[Jar]) -> Outcome:
    """Return the correction that two jars make.

    Raises
    ------
    JarError
        In plain words, naming the jar that is to blame.
    """
    for index, jar in enumerate(jars):
        _look_at(jar, index)
    first, second = jars
    off = [abs(jar.rh_pct - jar.truth_pct) > MOST_OFF_PCT for jar in jars]
    if any(off):
        crossed = [abs(first.rh_pct - second.truth_pct), abs(second.rh_pct - first.truth_pct)]
        if max(crossed) <= MOST_OFF_PCT:
            raise JarError(
                f"the jars look swapped: the sensor said {first.rh_pct:.0f} % RH over"
                f" {first.salt} and {second.rh_pct:.0f} % over {second.salt},"
                " which is the other way round"
            )
        raise _past_correcting(jars, off.index(True))
    low, high = sorted(jars, key=lambda jar: jar.truth_pct)
    try:
        check = two_jar_check(
            (low.salt, low.air_c, low.rh_pct),
            (high.salt, high.air_c, high.rh_pct),
            reading_sd_pct=max(low.rh_sd_pct, high.rh_sd_pct),
            jar_sd_k=max(low.jar_sd_k, high.jar_sd_k),
        )
    except ValueError as error:
        raise JarError(str(error)) from error
    sd = max(float(check.corrected_sd(rh)) for rh in HOLDS_PCT)
    return Outcome(check.slope, check.offset_pct, math.hypot(sd, OWN_SD_PCT), check)


def _look_at(jar: Jar, index: int) -> None:
    if not COLDEST_C <= jar.air_c <= WARMEST_C:
        raise JarError(
            f"the jar with {jar.salt} is at {jar.air_c:.1f} °C;"
            f" the check holds from {COLDEST_C:.0f} °C to {WARMEST_C:.0f} °C:"
            " bring it into a room with that air and let it settle again",
            index,
        )
    if jar.rh_sd_pct > MOST_SD_PCT or jar.jar_sd_k > MOST_JAR_SD_K:
        raise JarError(
            f"the reading over {jar.salt} moves too much to be taken even as an uncertain one",
            index,
        )
    if not 0.0 <= jar.rh_pct <= 100.0:
        raise JarError(f"the reading of {jar.rh_pct:.0f} % RH over {jar.salt} cannot be", index)


def _past_correcting(jars: Sequence[Jar], index: int) -> JarError:
    jar = jars[index]
    return JarError(
        say(
            "the sensor said {rh_pct:.0f} % RH over {salt}, where the air has "
            "{truth_pct:.0f} %: more than {most_off_pct:.0f} % off. A leaking jar, a "
            "salt without water or all dissolved, not settled, or a sensor past "
            "correcting",
            rh_pct=jar.rh_pct,
            salt=jar.salt,
            truth_pct=jar.truth_pct,
            most_off_pct=MOST_OFF_PCT,
        ),
        index,
    )
