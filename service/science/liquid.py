"""The liquid of a wet film or a drop: its species as arrays, and the pressure each exerts.

Everything here is for N cases at once and S species, unchecked: `film` checks. Amounts are moles
(on whatever basis the caller keeps), temperatures kelvin.

The activity of a species is that of UNIFAC among the volatile species, times the Flory-Huggins
factor of a dissolved polymer, ``(1 - phi) exp(phi V_i/V + chi phi^2)`` with phi the volume fraction
of the polymer and V the mean molar volume of the rest. Water beyond what dissolves lies in the film
as droplets and takes no part in the solution; the activity of water is then one. Nothing exerts
more than its own pure pressure: an activity above one stands for a second phase.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from service.science._checks import FloatArray
from service.science.blend import Blend
from service.science.constants import GAS_CONSTANT, STANDARD_PRESSURE_PA
from service.science.solvents import fuller_diffusivity, get, molar_volume
from service.science.unifac import Unifac, unifac_of

__all__ = ["TINY_MOL", "Liquid", "air_conductivity", "lewis_numbers", "liquid_of"]

TINY_MOL = 1e-12
"""Floor under amounts, so that a film run dry still has a composition."""

AIR_MOLAR_HEAT_CAPACITY = 29.2
"""Molar heat capacity of air, J/(mol K): 1.008 kJ/(kg K), ordinary room air."""

_ROOM_K = 298.15


@dataclass(frozen=True, eq=False)
class Liquid:
    """Species of a blend (its solvents, retarder, propellant and water) as arrays of length S."""

    names: tuple[str, ...]
    mass_fraction: FloatArray
    """Of the material without retarder."""
    retarder: int
    water: int
    solids: float
    """Mass fraction of solids in the material without retarder."""
    molar_mass: FloatArray
    molar_volume: FloatArray
    heat_capacity: FloatArray
    """Of the liquid, J/(mol K)."""
    vapour_heat_capacity: FloatArray
    heat_of_vaporisation: FloatArray
    """At 25 °C, J/mol."""
    critical: FloatArray
    antoine: FloatArray
    """(3, S): A, B and C."""
    diffusion_volume: FloatArray
    flashes: bool
    """Whether it holds propellant."""
    separates: bool
    """Whether water beyond its solubility leaves the solution; not where it is the carrier."""
    chi: FloatArray | None
    """Flory-Huggins interaction of each species; None where the polymer is dispersed."""
    polymer_volume: float
    """m³ of solids in a kg of solids."""
    unifac: Unifac

    def saturation(self, kelvin: FloatArray) -> FloatArray:
        """Vapour pressure of each pure species, Pa: (N, S)."""
        a, b, c = self.antoine
        return np.asarray(np.exp(a - b / (kelvin[:, None] + c)))

    def latent_heat(self, kelvin: FloatArray) -> FloatArray:
        """Heat of vaporisation of each species, J/mol: (N, S), by Watson's relation."""
        ratio = (self.critical - kelvin[:, None]) / (self.critical - _ROOM_K)
        return np.asarray(self.heat_of_vaporisation * ratio**0.38)

    def log_activity_coefficients(self, x: FloatArray, kelvin: FloatArray) -> FloatArray:
        """UNIFAC at each case's own temperature: (N, S)."""
        psi = self.unifac.psi(kelvin)
        return self.unifac.log_coefficients(x, psi, self.unifac.pure(psi))

    def polymer_factor(self, moles: FloatArray, solids_volume: FloatArray) -> FloatArray:
        """Logarithm of what the polymer does to each activity: (N, S), or 0 in a dispersion."""
        if self.chi is None:
            return np.zeros_like(moles)
        volume = moles @ self.molar_volume
        phi = (solids_volume / (volume + solids_volume))[:, None]
        mean_volume = (volume / moles.sum(axis=1))[:, None]
        return np.asarray(np.log1p(-phi) + phi * (self.molar_volume / mean_volume + self.chi * phi))

    def activities(
        self, moles: FloatArray, solids_volume: FloatArray, kelvin: FloatArray
    ) -> FloatArray:
        """Activity of each species: (N, S) for moles (N, S) in solution."""
        moles = np.maximum(moles, TINY_MOL)
        x = moles / moles.sum(axis=1, keepdims=True)
        log_gamma = self.log_activity_coefficients(x, kelvin)
        return np.asarray(x * np.exp(log_gamma + self.polymer_factor(moles, solids_volume)))

    def volatile(self, retarder_pct: FloatArray) -> FloatArray:
        """Solvent and propellant in a kg of material, kg: (N,); water is not counted."""
        kept = self.mass_fraction.copy()
        kept[self.water] = 0.0
        share = np.asarray(retarder_pct) / 100.0
        return np.asarray((1.0 - share) * kept.sum() + share)

    def mix(self, retarder_pct: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Moles of each species (N, S) and volume of solids (N,), m³, in a kg of material.

        `retarder_pct` is percent by mass of the finished mix.
        """
        share = np.asarray(retarder_pct, dtype=np.float64)[:, None] / 100.0
        mass = (1.0 - share) * self.mass_fraction
        mass[:, self.retarder] += share[:, 0]
        solids_volume = (1.0 - share[:, 0]) * self.solids * self.polymer_volume
        return mass / self.molar_mass, solids_volume


@lru_cache(maxsize=64)
def liquid_of(blend: Blend, retarder: str) -> Liquid:
    """Gather the species of a blend, its retarder and water."""
    parts = dict(blend.solvents + blend.propellant)
    names = tuple(dict.fromkeys([*parts, retarder, "water"]))
    species = [get(name) for name in names]
    solids = blend.solids_pct / 100.0
    total = sum(parts.values()) + solids
    chi = None
    if blend.polymer_chi is not None and solids > 0.0:
        chi = np.array([blend.water_chi if n == "water" else blend.polymer_chi for n in names])
    molar_mass = np.array([s.molar_mass_kg_mol for s in species])
    return Liquid(
        names=names,
        mass_fraction=np.array([parts.get(name, 0.0) / total for name in names]),
        retarder=names.index(retarder),
        water=names.index("water"),
        solids=solids / total,
        molar_mass=molar_mass,
        molar_volume=np.array([molar_volume(s) for s in species]),
        heat_capacity=molar_mass * np.array([s.heat_capacity_j_kgk for s in species]),
        vapour_heat_capacity=np.array([s.vapour_heat_capacity_j_molk for s in species]),
        heat_of_vaporisation=np.array([s.heat_of_vaporisation_j_mol for s in species]),
        critical=np.array([s.critical_k for s in species]),
        antoine=np.array([s.antoine for s in species]).T.copy(),
        diffusion_volume=np.array([s.diffusion_volume for s in species]),
        flashes=bool(blend.propellant),
        separates=blend.polymer_chi is not None,
        chi=chi,
        polymer_volume=1.0 / blend.polymer_density_kg_m3,
        unifac=unifac_of(names),
    )


def air_conductivity(kelvin: FloatArray) -> FloatArray:
    """Thermal conductivity of air, W/(m K), within 0.2 % of CoolProp from -20 to 60 °C."""
    return np.asarray(0.02637 * (kelvin / 300.0) ** 0.848)


def lewis_numbers(liquid: Liquid, kelvin: FloatArray) -> FloatArray:
    """Thermal over mass diffusivity of each vapour in air: (N, S); pressure cancels out."""
    molar_density = STANDARD_PRESSURE_PA / (GAS_CONSTANT * kelvin)
    thermal = air_conductivity(kelvin) / (molar_density * AIR_MOLAR_HEAT_CAPACITY)
    diffusivity = fuller_diffusivity(
        liquid.diffusion_volume, liquid.molar_mass, kelvin[:, None], STANDARD_PRESSURE_PA
    )
    return np.asarray(thermal[:, None] / diffusivity)
