"""The balances of one wet film, as the right-hand side of its differential equations.

State: moles of each species in solution and of free water, moles of condensed water, the film's
temperature and those of the plate's cells; and, kept only to check that nothing is lost, the heat
that came, the heat that left with vapour, and the mass that left. All for 1 m² of film.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.science._checks import FloatArray
from service.science.blend import METHODS, Blend
from service.science.droplets import SOLIDS_HEAT_CAPACITY, arrive
from service.science.liquid import Liquid, lewis_numbers, liquid_of
from service.science.plate import Cells, Wood, cells
from service.science.transfer import (
    STEFAN_BOLTZMANN,
    conductances,
    heat_factor,
    stefan_factor,
    wetting,
)

__all__ = [
    "EMISSIVITY",
    "SEED_SHARE",
    "Balances",
    "Case",
    "balances_of",
    "set_volume",
    "solvent_volumes",
]

EMISSIVITY = 0.9
"""Of a wet organic film in the far infrared: `assumed`, within the usual 0.9 to 0.95."""

SEED_SHARE = 0.05
"""Share of the coat that lands at once, at the temperature of the face; the rest follows evenly."""

DRY_SHARE = 0.02
"""Without solids a film counts as set once this part of its laid volume is left."""

_SEPARATION_S = 0.02  # how fast water beyond its solubility gathers into droplets: at once
_FREE_SCALE = 1e-6  # mol/m² of free water below which it dissolves ever slower
_COLDEST_K, _WARMEST_K = 200.0, 350.0
_FLIGHT_STEPS = 160
_CELLS, _FIRST_CELL_UM = 28, 15.0


@dataclass(frozen=True)
class Case:
    """One film, in SI units and kelvin."""

    blend: Blend
    retarder: str
    retarder_pct: float
    air_k: float
    water_pa: float
    pressure_pa: float
    face_k: float
    wet_m: float
    h_w_m2k: float
    plate_mm: float
    wood: Wood
    earlier_um: float


def set_volume(blend: Blend, landed_volume: FloatArray, solids_volume: FloatArray) -> FloatArray:
    """Volume of solvent, m³/m², at which a film counts as set."""
    limit = (1.0 - blend.set_volume_fraction) / blend.set_volume_fraction
    return np.maximum(solids_volume * limit, DRY_SHARE * landed_volume)


def solvent_volumes(blend: Blend, liquid: Liquid) -> FloatArray:
    """Molar volume of what keeps a film from setting: all but water, which dissolves no polymer.

    In a dispersion, and where there is nothing else, water counts too.
    """
    volumes = liquid.molar_volume.copy()
    if blend.polymer_chi is not None and any(name != "water" for name, _ in blend.solvents):
        volumes[liquid.water] = 0.0
    return volumes


@dataclass(frozen=True, eq=False)
class Balances:
    """One film and what it lies in and on; `rates` is the right-hand side.

    Attributes
    ----------
    landed : array (S,)
        The whole coat, mol/m²; of its water, `landed_free` lands as droplets within the liquid
        and `landed_condensed` was taken up below the dew point.
    landed_k : float
        Its temperature as it lands.
    solids_volume : float
        m³/m².
    sprayed : float
        Solvent and propellant in the coat as it left the nozzle, kg/m².
    laydown_s : float
        Over which it lands.
    """

    case: Case
    liquid: Liquid
    plate: Cells
    plate_flow: FloatArray
    conductance: FloatArray
    far: FloatArray
    landed: FloatArray
    landed_free: float
    landed_condensed: float
    landed_k: float
    solids_volume: float
    sprayed: float
    laydown_s: float

    def first(self) -> FloatArray:
        """State at the first touch."""
        moles = SEED_SHARE * self.landed
        moles[self.liquid.water] -= SEED_SHARE * self.landed_free
        water = [SEED_SHARE * self.landed_free, SEED_SHARE * self.landed_condensed]
        solid = np.full(1 + self.plate.capacity.size, self.case.face_k)
        return np.concatenate([moles, water, solid, np.zeros(3)])

    def laid(self, t: float | FloatArray) -> FloatArray:
        """Share of the coat that is down."""
        return np.minimum(1.0, SEED_SHARE + (1.0 - SEED_SHARE) * np.asarray(t) / self.laydown_s)

    def solids_heat(self, t: float) -> float:
        """Heat capacity of the solids that are down, J/(m² K)."""
        kg = self.solids_volume / self.liquid.polymer_volume
        return SOLIDS_HEAT_CAPACITY * kg * float(self.laid(t))

    def fluxes(self, t: float | FloatArray, moles: FloatArray, kelvin: FloatArray) -> FloatArray:
        """Molar flux of each species off the film, mol/(m² s): (N, S) for N states."""
        return self._off(self._activities(t, moles, kelvin), kelvin)

    def rates(self, t: float, columns: FloatArray, *, arriving: bool) -> FloatArray:
        """Rate of change of one state (K,), or of many in columns (K, N)."""
        state = columns.T if columns.ndim > 1 else columns[None, :]
        count, water = self.landed.size, self.liquid.water
        moles, free, condensed = state[:, :count], state[:, count], state[:, count + 1]
        # The solver tries states that no film takes; they must only not be absurd.
        kelvin = np.clip(state[:, count + 2], _COLDEST_K, _WARMEST_K)
        plate = state[:, count + 3 : -3]
        rate = (1.0 - SEED_SHARE) / self.laydown_s if arriving else 0.0
        activities = self._activities(t, moles, kelvin)
        off = self._off(activities, kelvin)
        parted = self._parted(activities, moles, free)
        change = np.empty_like(state)
        change[:, :count] = rate * self.landed - off
        change[:, water] -= parted + rate * self.landed_free
        change[:, count] = parted + rate * self.landed_free
        change[:, count + 1] = rate * self.landed_condensed + self._condensing(
            -off[:, water], condensed, moles[:, water] + free, kelvin
        )
        self._heat(t, change, off, moles, free, kelvin, plate, rate)
        change[:, -1] = off @ self.liquid.molar_mass
        return np.asarray(change.T if columns.ndim > 1 else change[0])

    def _activities(
        self, t: float | FloatArray, moles: FloatArray, kelvin: FloatArray
    ) -> FloatArray:
        solids = np.broadcast_to(self.solids_volume * self.laid(t), kelvin.shape)
        return self.liquid.activities(moles, solids, kelvin)

    def _off(self, activities: FloatArray, kelvin: FloatArray) -> FloatArray:
        pressure = np.minimum(activities, 1.0) * self.liquid.saturation(kelvin)
        stefan = stefan_factor(
            pressure.sum(axis=1), self.far.sum(), np.asarray(self.case.pressure_pa)
        )
        return np.asarray(stefan[:, None] * self.conductance * (pressure - self.far))

    def _parted(self, activities: FloatArray, moles: FloatArray, free: FloatArray) -> FloatArray:
        """Water that leaves solution for droplets (or dissolves, below zero), mol/(m² s)."""
        if not self.liquid.separates:
            return np.zeros_like(free)  # water is the carrier of a dispersion
        water = self.liquid.water
        activity = np.maximum(activities[:, water], 1e-9)
        flow = np.maximum(moles[:, water], 0.0) * np.log(activity) / _SEPARATION_S
        left = free / (np.abs(free) + _FREE_SCALE)  # signed, so that an overshoot is taken back
        return np.asarray(np.where(flow > 0.0, flow, flow * left))

    def _condensing(
        self, gain: FloatArray, condensed: FloatArray, held: FloatArray, kelvin: FloatArray
    ) -> FloatArray:
        """Change of condensed water: a gain below the dew point counts; a loss takes its share."""
        water = self.liquid.water
        below = wetting(self.far[water], self.liquid.saturation(kelvin)[:, water])
        share = np.clip(condensed / np.maximum(held, 1e-9), 0.0, 1.0)
        return np.asarray(np.where(gain > 0.0, gain * below, gain * share))

    def _heat(
        self,
        t: float,
        change: FloatArray,
        off: FloatArray,
        moles: FloatArray,
        free: FloatArray,
        kelvin: FloatArray,
        plate: FloatArray,
        rate: float,
    ) -> None:
        case, liquid, count = self.case, self.liquid, self.landed.size
        factor = heat_factor(off @ liquid.vapour_heat_capacity, np.asarray(case.h_w_m2k))
        warmed = case.h_w_m2k * factor * (case.air_k - kelvin)
        warmed += EMISSIVITY * STEFAN_BOLTZMANN * (case.air_k**4 - kelvin**4)
        latent = (off * liquid.latent_heat(kelvin)).sum(axis=1)
        into_plate = self.plate.conductance[0] * (kelvin - plate[:, 0])
        capacity = moles @ liquid.heat_capacity + self.solids_heat(t)
        capacity += free * liquid.heat_capacity[liquid.water]
        landing = rate * float(
            self.landed @ liquid.heat_capacity + self.solids_heat(self.laydown_s)
        )
        change[:, count + 2] = (
            warmed - latent - into_plate + landing * (self.landed_k - kelvin)
        ) / capacity
        change[:, count + 3 : -3] = plate @ self.plate_flow.T
        change[:, count + 3] += self.plate.conductance[0] * kelvin / self.plate.capacity[0]
        change[:, -3] = warmed + landing * (self.landed_k - case.face_k)
        change[:, -2] = latent + (off @ liquid.heat_capacity) * (kelvin - case.face_k)

    def missing(self, last: FloatArray) -> tuple[float, float]:
        """What is missing at the end from mass and energy, as a part of what passed through."""
        liquid, count, face = self.liquid, self.landed.size, self.case.face_k
        held = last[:count] @ liquid.molar_mass + last[count] * liquid.molar_mass[liquid.water]
        landed = float(self.landed @ liquid.molar_mass)
        mass = abs(landed - float(held) - last[-1]) / landed if landed else 0.0
        capacity = last[:count] @ liquid.heat_capacity + self.solids_heat(np.inf)
        capacity += last[count] * liquid.heat_capacity[liquid.water]
        stored = capacity * (last[count + 2] - face)
        stored += self.plate.capacity @ (last[count + 3 : -3] - face)
        passed = max(abs(last[-2]), abs(last[-3]), 1.0)
        return mass, float(abs(last[-3] - last[-2] - stored) / passed)


def balances_of(case: Case) -> Balances:
    """Set the balances up: the coat as it lands, the plate, the air."""
    liquid, method = liquid_of(case.blend, case.retarder), METHODS[case.blend.method]
    one = np.ones(1)
    arrival = arrive(
        liquid,
        method,
        case.retarder_pct * one,
        case.air_k * one,
        case.water_pa * one,
        case.pressure_pa * one,
        _FLIGHT_STEPS,
    )
    volume = float((arrival.moles @ liquid.molar_volume + arrival.solids_volume)[0])
    scale = case.wet_m / volume
    far = np.zeros(len(liquid.names))
    far[liquid.water] = case.water_pa
    plate = cells(case.plate_mm, case.wood, case.earlier_um, _CELLS, _FIRST_CELL_UM)
    return Balances(
        case=case,
        liquid=liquid,
        plate=plate,
        plate_flow=plate.matrix(),
        conductance=conductances(
            lewis_numbers(liquid, case.air_k * one),
            case.h_w_m2k * one,
            case.pressure_pa * one,
            2.0 / 3.0,
        )[0],
        far=far,
        landed=arrival.moles[0] * scale,
        landed_free=float(arrival.moles[0, liquid.water] - arrival.dissolved[0]) * scale,
        landed_condensed=float(arrival.condensed[0]) * scale,
        landed_k=float(arrival.kelvin[0]),
        solids_volume=float(arrival.solids_volume[0]) * scale,
        sprayed=scale * float(liquid.volatile(case.retarder_pct * one)[0]),
        laydown_s=method.laydown_s,
    )
