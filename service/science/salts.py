"""Saturated salt solutions as humidity references, and the two-jar check of a sensor.

Over a saturated solution with some undissolved salt, in a closed jar, the air settles at an RH that
depends only on the salt and, a little, on temperature. Two jars give a sensor's offset and slope.

Source: Greenspan 1977, Humidity Fixed Points of Binary Saturated Aqueous Solutions, J. Res. NBS
81A, 89: polynomials of his Table 1 and uncertainties of his Table 2 (both from memory; they give
the published table to its last digit).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import TypeVar

import numpy as np

from service.science import _saturation
from service.science._checks import FloatArray, Quantity, as_given, within

__all__ = [
    "CRC_FITS",
    "SALTS",
    "Salt",
    "TwoJarCheck",
    "crc_equilibrium_rh",
    "equilibrium_rh",
    "published_uncertainty",
    "two_jar_check",
]


@dataclass(frozen=True)
class Salt:
    """A salt's fit: RH = sum(c_i t^i), t in °C, and its published uncertainty at four points."""

    formula: str
    coefficients: tuple[float, ...]
    lowest_c: float
    highest_c: float
    uncertainty_pct: tuple[float, float, float, float]
    """At 15, 20, 25 and 30 °C, % RH."""


SALTS: Mapping[str, Salt] = MappingProxyType(
    {
        "lithium chloride": Salt(
            "LiCl", (11.2323, 0.00824245, -2.14890e-4), 0.0, 80.0, (0.35, 0.31, 0.27, 0.24)
        ),
        "magnesium chloride": Salt(
            "MgCl2", (33.6686, -0.00797397, -1.08988e-3), 0.0, 100.0, (0.21, 0.18, 0.16, 0.14)
        ),
        "potassium carbonate": Salt(
            "K2CO3", (43.1315, 0.00147523), 0.0, 30.0, (0.33, 0.33, 0.39, 0.50)
        ),
        "magnesium nitrate": Salt(
            "Mg(NO3)2", (60.3514, -0.298398), 0.0, 50.0, (0.27, 0.23, 0.22, 0.24)
        ),
        "sodium chloride": Salt(
            "NaCl",
            (75.5164, 0.0398321, -2.65459e-3, 2.84800e-5),
            0.0,
            80.0,
            (0.18, 0.14, 0.12, 0.11),
        ),
        "potassium chloride": Salt(
            "KCl", (88.6190, -0.193340, 8.99706e-4), 0.0, 90.0, (0.33, 0.29, 0.26, 0.25)
        ),
        "potassium sulfate": Salt(
            "K2SO4", (98.7792, -0.0590502), 0.0, 50.0, (0.63, 0.53, 0.45, 0.40)
        ),
    }
)
"""By chemical name."""

CRC_FITS: Mapping[str, tuple[float, float, float, float]] = MappingProxyType(
    {
        "lithium chloride": (14.53, -75.0, 20.0, 65.0),
        "magnesium chloride": (29.26, 34.0, 5.0, 45.0),
        "magnesium nitrate": (25.28, 220.0, 5.0, 35.0),
        "sodium chloride": (69.20, 25.0, 10.0, 40.0),
        "potassium chloride": (49.38, 159.0, 5.0, 25.0),
        "potassium sulfate": (86.75, 34.0, 10.0, 50.0),
    }
)
"""A, B and range in °C of RH = A exp(B/T), CRC Handbook of Chemistry and Physics, Constant Humidity
Solutions; good to ±2 % RH, so a second opinion only."""

_KNOWN_C = (15.0, 20.0, 25.0, 30.0)

Fit = TypeVar("Fit")


def _named(table: Mapping[str, Fit], salt: str) -> Fit:
    try:
        return table[salt]
    except KeyError:
        msg = f"salt must be one of {', '.join(sorted(table))}, got {salt!r}"
        raise ValueError(msg) from None


def equilibrium_rh(salt: str, temperature_c: Quantity) -> Quantity:
    """Relative humidity, %, over the saturated solution of `salt` (its chemical name).

    `temperature_c` within the salt's range, at least 0 to 30 °C.
    """
    fit = _named(SALTS, salt)
    t = within("temperature_c", temperature_c, fit.lowest_c, fit.highest_c, "°C")
    return as_given(
        np.asarray(np.polynomial.polynomial.polyval(t, fit.coefficients)), temperature_c
    )


def crc_equilibrium_rh(salt: str, temperature_c: Quantity) -> Quantity:
    """Relative humidity, %, by the CRC Handbook's two-constant fit, good to ±2 % RH."""
    a, b, lowest, highest = _named(CRC_FITS, salt)
    t = within("temperature_c", temperature_c, lowest, highest, "°C")
    return as_given(a * np.exp(b / (t + 273.15)), temperature_c)


def published_uncertainty(salt: str, temperature_c: Quantity) -> Quantity:
    """Uncertainty of `equilibrium_rh`, % RH, as published; 15 to 30 °C, straight between points."""
    fit = _named(SALTS, salt)
    t = within("temperature_c", temperature_c, 15.0, 30.0, "°C")
    return as_given(np.asarray(np.interp(t, _KNOWN_C, fit.uncertainty_pct)), temperature_c)


@dataclass(frozen=True)
class TwoJarCheck:
    """A straight-line correction of an RH sensor: true = slope * reading + offset.

    Attributes
    ----------
    slope, offset_pct
        Slope, and offset in % RH.
    slope_sd, offset_sd_pct
        Their standard deviations.
    jars
        (reading, truth, standard deviation of truth less reading) of the two jars, % RH.
    """

    slope: float
    offset_pct: float
    slope_sd: float
    offset_sd_pct: float
    jars: tuple[tuple[float, float, float], tuple[float, float, float]]

    def corrected(self, rh_pct: Quantity) -> Quantity:
        """Corrected RH, %, cut to 0...100; `rh_pct` 0 to 100 %."""
        rh = within("rh_pct", rh_pct, 0.0, 100.0, "%")
        return as_given(np.clip(self.slope * rh + self.offset_pct, 0.0, 100.0), rh_pct)

    def corrected_sd(self, rh_pct: Quantity) -> Quantity:
        """Standard deviation, % RH, that the check itself leaves in `corrected`.

        Least between the jars and growing beyond them; what the sensor adds by itself (noise,
        drift, hysteresis) comes on top.
        """
        rh = within("rh_pct", rh_pct, 0.0, 100.0, "%")
        (low, _, low_sd), (high, _, high_sd) = self.jars
        share: FloatArray = (rh - low) / (high - low)
        return as_given(np.hypot((1.0 - share) * low_sd, share * high_sd), rh_pct)


def two_jar_check(
    low: tuple[str, float, float],
    high: tuple[str, float, float],
    *,
    reading_sd_pct: float = 0.3,
    jar_sd_k: float = 0.1,
) -> TwoJarCheck:
    """Offset and slope of a sensor from its readings in two salt jars.

    Parameters
    ----------
    low, high
        (salt, temperature in °C, settled reading in % RH); the salts at least 20 % RH apart, 15 to
        30 °C.
    reading_sd_pct
        Standard deviation of a settled reading, 0 to 5 % RH: noise, resolution, not quite settled.
        The default is assumed.
    jar_sd_k
        Standard deviation of the temperature difference between sensor and solution, 0 to 2 K: each
        0.1 K turns 75 % RH into 74.5. The default is assumed, for a jar left for hours in a box.

    Raises
    ------
    ValueError
        Also where a reading is further than 15 % RH from its salt: swapped jars, a jar not settled,
        or a sensor past correcting.

    Notes
    -----
    The published uncertainty is taken as the half width of a rectangle, sd = u/sqrt(3) (JCGM
    100:2008, 4.3.7).
    """
    reading_sd = float(within("reading_sd_pct", reading_sd_pct, 0.0, 5.0, "%"))
    jar_sd = float(within("jar_sd_k", jar_sd_k, 0.0, 2.0, "K"))
    jars = (_jar("low", low, reading_sd, jar_sd), _jar("high", high, reading_sd, jar_sd))
    (r1, t1, s1), (r2, t2, s2) = jars
    if t2 - t1 < 20.0:
        msg = f"high must be a salt at least 20 % RH above low, got {high[0]} over {low[0]}"
        raise ValueError(msg)
    slope = (t2 - t1) / (r2 - r1)
    # Errors of truth minus reading move slope and offset by these weights.
    span = r2 - r1
    return TwoJarCheck(
        slope=slope,
        offset_pct=t1 - slope * r1,
        slope_sd=math.hypot(s1, s2) / span,
        offset_sd_pct=math.hypot(s1 * r2, s2 * r1) / span,
        jars=jars,
    )


def _jar(
    name: str, jar: tuple[str, float, float], reading_sd: float, jar_sd_k: float
) -> tuple[float, float, float]:
    salt, temperature_c, reading = jar
    truth = equilibrium_rh(salt, temperature_c)
    salt_sd = published_uncertainty(salt, temperature_c) / math.sqrt(3.0)
    within(f"{name} reading", reading, 0.0, 100.0, "%")
    if abs(reading - truth) > 15.0:
        msg = (
            f"{name} reading of {reading:g} % is too far from the {truth:.1f} % of {salt}: "
            "jars swapped, not settled, or a sensor past correcting"
        )
        raise ValueError(msg)
    slope = float(_saturation.log_slope(np.asarray(temperature_c, dtype=float)))
    return reading, truth, math.hypot(salt_sd, reading_sd, truth * slope * jar_sd_k)
