"""Solvents, propellants and water: properties of each, and what follows for one at a time.

The figures are in solvents.json, written by deploy/make_solvents.py from the open property library
``chemicals``/``thermo``; each names its source. Temperatures are in °C, pressures in Pa, all else
in SI; functions take a number or an array alike.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from types import MappingProxyType
from typing import Any

import numpy as np

from service.science._checks import FloatArray, Quantity, as_given, within
from service.science.constants import STANDARD_PRESSURE_PA, ZERO_CELSIUS_K

__all__ = [
    "AIR_DIFFUSION_VOLUME",
    "SOLVENTS",
    "UNIFAC_TABLE",
    "Solvent",
    "diffusivity",
    "fuller_diffusivity",
    "get",
    "latent_heat",
    "vapour_pressure",
]

AIR_DIFFUSION_VOLUME = 20.1
"""Diffusion volume of air, Fuller, Schettler and Giddings 1966."""

AIR_MOLAR_MASS_KG_MOL = 28.966e-3
"""Molar mass of dry air, ASHRAE Handbook - Fundamentals 2017, ch. 1."""

LOWEST_C, HIGHEST_C = -20.0, 60.0

_ROOM_K = 298.15
_WATSON_EXPONENT = 0.38


@dataclass(frozen=True)
class Solvent:
    """One volatile species.

    Attributes
    ----------
    antoine : tuple of float
        A, B, C of ln(p/Pa) = A - B/(T/K + C), -20 to 60 °C (propellants -50 to 50 °C).
    heat_of_vaporisation_j_mol : float
        At 25 °C.
    density_kg_m3 : float
        Liquid, 20 °C (propellants: under their own pressure).
    heat_capacity_j_kgk, vapour_heat_capacity_j_molk : float
        Liquid and ideal gas, 25 °C.
    lfl_pct, ufl_pct : float or None
        Flammable limits in air, percent by volume; None for water.
    evaporation_rate : float or None
        Relative to n-butyl acetate = 1 (ASTM D3539 scale), for reference: no model uses it.
    groups : mapping of int to int
        UNIFAC subgroups and their counts.
    sources : mapping of str to str
        Where each figure comes from.
    """

    name: str
    cas: str
    molar_mass_kg_mol: float
    antoine: tuple[float, float, float]
    heat_of_vaporisation_j_mol: float
    critical_k: float
    diffusion_volume: float
    density_kg_m3: float
    heat_capacity_j_kgk: float
    vapour_heat_capacity_j_molk: float
    lfl_pct: float | None
    ufl_pct: float | None
    evaporation_rate: float | None
    groups: Mapping[int, int]
    sources: Mapping[str, str]


def _solvent(row: dict[str, Any]) -> Solvent:
    a, b, c = row["antoine"]
    groups = MappingProxyType({int(group): int(count) for group, count in row["groups"].items()})
    return Solvent(
        **{
            **row,
            "antoine": (a, b, c),
            "groups": groups,
            "sources": MappingProxyType(row["sources"]),
        }
    )


_TABLE = json.loads(files(__package__).joinpath("solvents.json").read_text(encoding="utf-8"))

SOLVENTS: Mapping[str, Solvent] = MappingProxyType(
    {row["name"]: _solvent(row) for row in _TABLE["solvents"]}
)
"""All species by name."""

UNIFAC_TABLE: Mapping[str, Any] = MappingProxyType(_TABLE["unifac"])
"""Subgroups and interaction parameters, read by `unifac`."""


def get(name: str) -> Solvent:
    """Return a solvent by its name.

    Raises
    ------
    ValueError
        If there is none of that name; the message lists those there are.
    """
    try:
        return SOLVENTS[name]
    except KeyError:
        msg = f"solvent {name!r} is not in the table; known: {', '.join(sorted(SOLVENTS))}"
        raise ValueError(msg) from None


def vapour_pressure(solvent: str, temperature_c: Quantity) -> Quantity:
    """Saturated vapour pressure of a pure liquid.

    Parameters
    ----------
    solvent : str
        Name in `SOLVENTS`.
    temperature_c : float or array
        -20 to 60 °C.

    Returns
    -------
    float or array
        Pa. The Antoine form is within 0.6 % of the correlation that its source names.

    Raises
    ------
    ValueError
        For an unknown name, or a temperature out of range.
    """
    a, b, c = get(solvent).antoine
    kelvin = within("temperature_c", temperature_c, LOWEST_C, HIGHEST_C, "°C") + ZERO_CELSIUS_K
    return as_given(np.exp(a - b / (kelvin + c)), temperature_c)


def latent_heat(solvent: str, temperature_c: Quantity) -> Quantity:
    """Heat of vaporisation of a pure liquid, by Watson's relation from its value at 25 °C.

    Parameters
    ----------
    solvent : str
        Name in `SOLVENTS`.
    temperature_c : float or array
        -60 to 120 °C.

    Returns
    -------
    float or array
        J/mol.

    References
    ----------
    Watson, Ind. Eng. Chem. 35 (1943) 398, exponent 0.38.
    """
    species = get(solvent)
    kelvin = within("temperature_c", temperature_c, -60.0, 120.0, "°C") + ZERO_CELSIUS_K
    ratio = (species.critical_k - kelvin) / (species.critical_k - _ROOM_K)
    return as_given(species.heat_of_vaporisation_j_mol * ratio**_WATSON_EXPONENT, temperature_c)


def fuller_diffusivity(
    diffusion_volume: float | FloatArray,
    molar_mass_kg_mol: float | FloatArray,
    kelvin: float | FloatArray,
    pressure_pa: float | FloatArray,
) -> FloatArray:
    """Diffusion coefficient of a vapour in air, m²/s, from its diffusion volume.

    References
    ----------
    Fuller, Schettler and Giddings, Ind. Eng. Chem. 58 (5) (1966) 18; usually within 10 % of
    measurement.
    """
    grams = 1e3 * np.asarray(molar_mass_kg_mol)
    masses = np.sqrt(1.0 / grams + 1.0 / (1e3 * AIR_MOLAR_MASS_KG_MOL))
    sizes = np.cbrt(diffusion_volume) + np.cbrt(AIR_DIFFUSION_VOLUME)
    atmospheres = np.asarray(pressure_pa) / STANDARD_PRESSURE_PA
    return np.asarray(1e-7 * np.asarray(kelvin) ** 1.75 * masses / (atmospheres * sizes**2))


def diffusivity(
    solvent: str, temperature_c: Quantity, pressure_pa: float = STANDARD_PRESSURE_PA
) -> Quantity:
    """Diffusion coefficient of a solvent's vapour in air.

    Parameters
    ----------
    solvent : str
        Name in `SOLVENTS`.
    temperature_c : float or array
        -40 to 100 °C.
    pressure_pa : float
        50 to 120 kPa.

    Returns
    -------
    float or array
        m²/s.
    """
    species = get(solvent)
    kelvin = within("temperature_c", temperature_c, -40.0, 100.0, "°C") + ZERO_CELSIUS_K
    pressure = within("pressure_pa", pressure_pa, 5e4, 1.2e5, "Pa")
    return as_given(
        fuller_diffusivity(species.diffusion_volume, species.molar_mass_kg_mol, kelvin, pressure),
        temperature_c,
    )


def molar_volume(solvent: Solvent) -> float:
    """Molar volume of the liquid, m³/mol."""
    return solvent.molar_mass_kg_mol / solvent.density_kg_m3
