"""Solvent vapour in a ventilated place, against its lower flammable limit (LFL).

Everything here is an estimate of fire hazard for a well-mixed room. It is no statement about
breathing: exposure limits are tens to thousands of times lower than flammable ones, and nothing
computed here says that air is fit to breathe. Pockets near the work, on the floor or in a duct are
richer than the mean. Follow the material's data sheet, the local codes and, for equipment, a
licensed practitioner; where they ask for more than this, they are right.

"Share" is the vapour's volume fraction in the air, m³/m³. Scalars or arrays; out of range or NaN
raises ValueError naming the argument.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from service.science import solvents
from service.science._checks import (
    FloatArray,
    Quantity,
    air_pressure,
    as_given,
    increasing,
    within,
)
from service.science.constants import GAS_CONSTANT, STANDARD_PRESSURE_PA, ZERO_CELSIUS_K

__all__ = [
    "DEFAULT_MIXING",
    "LFL_LIMIT",
    "Vapour",
    "concentration_course",
    "dilution_air",
    "dilution_flow",
    "lfl_ratio",
    "mass_concentration",
    "mixture_lfl",
    "of_solvents",
    "purge_time",
    "steady_share",
    "vapour_volume",
]

LFL_LIMIT = 0.25
"""Vapour is to stay below this part of the LFL; 29 CFR 1910.94(c)(6)(ii) and NFPA 33."""

DEFAULT_MIXING = 3.0
"""Safety factor K for imperfect mixing, in the range 1 to 10 of the ACGIH Industrial Ventilation
manual: fresh air counts as this many times less than it is (`common practice`, a middling room)."""


def _mixing(mixing: float) -> float:
    return float(within("mixing", mixing, 1.0, 10.0))


def vapour_volume(
    mass_kg: Quantity | float,
    molar_mass_kg_mol: Quantity | float,
    vapour_c: Quantity | float = 21.1,
    pressure_pa: float = STANDARD_PRESSURE_PA,
) -> Quantity:
    """Volume, m³, of the vapour of this much liquid, by the ideal-gas law.

    `mass_kg` 0 to 1e6 kg (or kg/s, for m³/s), `molar_mass_kg_mol` 0.002 to 1 kg/mol, `vapour_c`
    -40 to 200 °C (21.1 °C is the 70 °F of US tables), `pressure_pa` 50,000 to 110,000 Pa.
    """
    amount = within("mass_kg", mass_kg, 0.0, 1e6, "kg") / within(
        "molar_mass_kg_mol", molar_mass_kg_mol, 0.002, 1.0, "kg/mol"
    )
    kelvin = within("vapour_c", vapour_c, -40.0, 200.0, "°C") + ZERO_CELSIUS_K
    pressure = air_pressure(pressure_pa)
    answer = amount * GAS_CONSTANT * kelvin / pressure
    return as_given(answer, mass_kg, molar_mass_kg_mol, vapour_c)


def mass_concentration(
    share: Quantity | float,
    molar_mass_kg_mol: Quantity | float,
    air_c: Quantity | float = 25.0,
    pressure_pa: float = STANDARD_PRESSURE_PA,
) -> Quantity:
    """Mass of vapour per volume of air, kg/m³; `share` 0 to 1 (1 ppm is 1e-6)."""
    part = within("share", share, 0.0, 1.0)
    molar = within("molar_mass_kg_mol", molar_mass_kg_mol, 0.002, 1.0, "kg/mol")
    kelvin = within("air_c", air_c, -40.0, 200.0, "°C") + ZERO_CELSIUS_K
    pressure = air_pressure(pressure_pa)
    answer = part * molar * pressure / (GAS_CONSTANT * kelvin)
    return as_given(answer, share, molar_mass_kg_mol, air_c)


def mixture_lfl(
    mole_shares: Sequence[float] | FloatArray, lfl_pct: Sequence[float] | FloatArray
) -> float:
    """Lower flammable limit, volume %, of a mixture of vapours; Le Chatelier's rule.

    Parameters
    ----------
    mole_shares
        Of each vapour in what evaporates, 0 and on, in any scale (they are made to add up to 1).
    lfl_pct
        Of each, 0.1 to 100 %; infinite for what does not burn (water). Where sources differ, give
        the lowest.

    Returns
    -------
    float
        Infinite where nothing burns.
    """
    shares = within("mole_shares", mole_shares, 0.0, 1e9)
    limits = np.asarray(lfl_pct, dtype=np.float64)
    within("lfl_pct", limits[np.isfinite(limits) | np.isnan(limits)], 0.1, 100.0, "%")
    if shares.ndim != 1 or shares.shape != limits.shape:
        msg = "mole_shares and lfl_pct must be series of the same length"
        raise ValueError(msg)
    total = float(shares.sum())
    if total <= 0.0:
        msg = "mole_shares must not all be zero"
        raise ValueError(msg)
    burning = float((shares / limits).sum()) / total
    return 1.0 / burning if burning > 0.0 else math.inf


@dataclass(frozen=True)
class Vapour:
    """Vapour of a solvent blend: its volume, m³ (or m³/s), and the blend's LFL, volume %.

    The LFL is infinite where nothing of it burns.
    """

    volume_m3: float
    lfl_pct: float


def of_solvents(masses_kg: Mapping[str, float], vapour_c: float = 21.1) -> Vapour:
    """Volume and LFL of the vapour of solvents by name, as in `solvents.SOLVENTS`.

    Parameters
    ----------
    masses_kg
        0 to 1e6 kg of each (kg/s: the volume is m³/s). Water is left out of both answers.
    vapour_c
        -40 to 200 °C.
    """
    volumes, limits = [], []
    for name, mass_kg in masses_kg.items():
        solvent = solvents.get(name)
        within(f"masses_kg[{name!r}]", mass_kg, 0.0, 1e6, "kg")
        if solvent.lfl_pct is not None:
            volumes.append(vapour_volume(mass_kg, solvent.molar_mass_kg_mol, vapour_c))
            limits.append(solvent.lfl_pct)
    total = sum(volumes)
    return Vapour(total, mixture_lfl(volumes, limits) if total > 0.0 else math.inf)


def lfl_ratio(share: Quantity, lfl_pct: float) -> Quantity:
    """Vapour as a part of its LFL: 1 is at the limit, `LFL_LIMIT` where spraying has to stop."""
    part = within("share", share, 0.0, 1.0)
    return as_given(100.0 * part / within("lfl_pct", lfl_pct, 0.1, 100.0, "%"), share)


def dilution_air(
    vapour_m3: Quantity | float, lfl_pct: Quantity | float, *, limit: float = LFL_LIMIT
) -> Quantity:
    """Fresh air, m³, that keeps this much vapour at `limit` times its LFL.

    (100 - LFL) V / (limit LFL): 29 CFR 1910.94(c)(6)(ii), where the limit is 1/4 and V is the
    vapour of a gallon. `vapour_m3` 0 to 1e6 m³, `lfl_pct` 0.1 to 99 %, `limit` 0.01 to 1. Bare of
    any factor for mixing: multiply by one.
    """
    vapour = within("vapour_m3", vapour_m3, 0.0, 1e6, "m³")
    lfl = within("lfl_pct", lfl_pct, 0.1, 99.0, "%")
    part = float(within("limit", limit, 0.01, 1.0))
    return as_given(vapour * (100.0 - lfl) / (part * lfl), vapour_m3, lfl_pct)


def dilution_flow(
    release_m3_s: Quantity | float, share: Quantity | float, *, mixing: float = DEFAULT_MIXING
) -> Quantity:
    """Fresh air, m³/s, that holds a steady release at this share: K q / C.

    Source: ACGIH Industrial Ventilation, dilution. `release_m3_s` of vapour 0 to 100 m³/s, `share`
    1e-9 to 1, `mixing` (K) 1 to 10.
    """
    release = within("release_m3_s", release_m3_s, 0.0, 100.0, "m³/s")
    part = within("share", share, 1e-9, 1.0)
    return as_given(_mixing(mixing) * release / part, release_m3_s, share)


def steady_share(
    release_m3_s: Quantity | float,
    fresh_air_m3_s: Quantity | float,
    *,
    mixing: float = DEFAULT_MIXING,
) -> Quantity:
    """Share that a steady release ends at, K q / Q, cut to 1; 1 too where no air comes in.

    `release_m3_s` and `fresh_air_m3_s` 0 to 100 m³/s.
    """
    release = within("release_m3_s", release_m3_s, 0.0, 100.0, "m³/s")
    air = within("fresh_air_m3_s", fresh_air_m3_s, 0.0, 100.0, "m³/s")
    scaled = _mixing(mixing) * release
    share = np.minimum(scaled, air) / np.where(air > 0.0, air, 1.0)
    still = np.where(scaled > 0.0, 1.0, 0.0)
    return as_given(np.where(air > 0.0, share, still), release_m3_s, fresh_air_m3_s)


def concentration_course(
    time_s: Sequence[float] | FloatArray,
    release_m3_s: Sequence[float] | FloatArray,
    *,
    volume_m3: float,
    fresh_air_m3_s: float,
    start_share: float = 0.0,
    mixing: float = DEFAULT_MIXING,
) -> FloatArray:
    """Share of vapour in a place at each time: V dC/dt = q - (Q / K) C.

    Well mixed but for the factor K, which weakens the fresh air; the release is a straight line
    between the times, and the course exact for that. Cut to 1.

    Parameters
    ----------
    time_s
        Rising strictly, s.
    release_m3_s
        Vapour released at each time, 0 to 100 m³/s, from `vapour_volume` of kg/s.
    volume_m3
        0.1 to 1e6 m³.
    fresh_air_m3_s
        0 to 1,000 m³/s.
    start_share
        At the first time, 0 to 1.
    mixing
        K, 1 to 10.
    """
    time = increasing("time_s", time_s)
    release = within("release_m3_s", release_m3_s, 0.0, 100.0, "m³/s")
    if release.shape != time.shape:
        msg = "release_m3_s must have one entry for each of time_s"
        raise ValueError(msg)
    volume = float(within("volume_m3", volume_m3, 0.1, 1e6, "m³"))
    air = float(within("fresh_air_m3_s", fresh_air_m3_s, 0.0, 1000.0, "m³/s"))
    share = float(within("start_share", start_share, 0.0, 1.0))
    rate = air / _mixing(mixing) / volume
    steps = np.diff(time)
    kept = np.exp(-rate * steps)
    # Integrals over a step of e^(-rate (dt - t)) and of the same times t/dt.
    x = rate * steps
    with np.errstate(divide="ignore", invalid="ignore"):
        whole = np.where(x > 1e-4, -np.expm1(-x) / x, 1.0 - x / 2.0 + x * x / 6.0) * steps
        late = np.where(x > 1e-4, (1.0 - whole / steps) / x, 0.5 - x / 6.0 + x * x / 24.0) * steps
    gained = (release[:-1] * (whole - late) + release[1:] * late) / volume
    out = [share]
    for decay, gain in zip(kept.tolist(), gained.tolist(), strict=True):
        share = min(1.0, decay * share + gain)
        out.append(share)
    return np.asarray(out)


def purge_time(
    start_share: Quantity | float,
    target_share: Quantity | float,
    *,
    volume_m3: float,
    fresh_air_m3_s: float,
    mixing: float = DEFAULT_MIXING,
) -> Quantity:
    """Time, s, for fresh air to bring the vapour from one share to another once release has ended.

    K V / Q ln(C0 / C1); 0 where it is there already, infinite without fresh air. With K = 1 this is
    the well-mixed decay of the CDC's air-change table. Shares 1e-9 to 1 (start from 0); `volume_m3`
    0.1 to 1e6 m³; `fresh_air_m3_s` 0 to 1,000 m³/s. A coat that still flashes off has not ended its
    release: take the course instead.
    """
    start = within("start_share", start_share, 0.0, 1.0)
    target = within("target_share", target_share, 1e-9, 1.0)
    volume = float(within("volume_m3", volume_m3, 0.1, 1e6, "m³"))
    air = float(within("fresh_air_m3_s", fresh_air_m3_s, 0.0, 1000.0, "m³/s"))
    folds = np.log(np.maximum(start, target) / target)
    if air > 0.0:
        return as_given(_mixing(mixing) * volume / air * folds, start_share, target_share)
    return as_given(np.where(folds > 0.0, np.inf, 0.0), start_share, target_share)
