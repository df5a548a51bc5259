"""The full model: a wet film followed in time by a stiff solver, from laydown until it sets.

State of one case: moles of each species in solution, free water, film temperature, and the
temperatures of the plate's cells; and, kept only to check that nothing is lost, the heat that came,
the heat that left with vapour, and the mass that left.
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
)

__all__ = [
    "DRY_SHARE",
    "EMISSIVITY",
    "HORIZON_S",
    "SEED_SHARE",
    "Case",
    "Trace",
    "set_volume",
    "solvent_volumes",
    "trace",
]

EMISSIVITY = 0.9
"""Of a wet organic film in the far infrared: `assumed`, within the usual 0.9 to 0.95."""

SEED_SHARE = 0.05
"""Share of the coat that lands at once, at the temperature of the face; the rest follows evenly."""

DRY_SHARE = 0.02
"""Without solids a film counts as set once this part of its laid volume is left."""

HORIZON_S = 4 * 3600.0
"""A film that has not set by then is not followed further."""

_SEPARATION_S = 0.02  # how fast water beyond its solubility gathers into droplets: at once
_FREE_SCALE = 1e-6  # mol/m² of free water below which it dissolves ever slower
_FLIGHT_STEPS = 400


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


@dataclass(frozen=True, eq=False)
class Trace:
    """What the solver found, over K times.

    Attributes
    ----------
    time_s, kelvin, free_water, solids_volume : array (K,)
        s, K, mol/m², m³/m².
    moles : array (K, S)
        In solution, mol/m².
    off : array (K, S)
        Flux off the film, mol/(m² s).
    landed : array (S,)
        Moles laid down in all, mol/m².
    set_at_s : float
        Infinite if it did not set.
    mass_closure, energy_closure : float
        What is missing from the balances, as a part of what passed through.
    """

    liquid: Liquid
    time_s: FloatArray
    kelvin: FloatArray
    moles: FloatArray
    free_water: FloatArray
    solids_volume: FloatArray
    off: FloatArray
    landed: FloatArray
    set_at_s: float
    mass_closure: float
    energy_closure: float


@dataclass(frozen=True, eq=False)
class _Model:
    """The right-hand side, for many columns of state at once."""

    case: Case
    liquid: Liquid
    plate: Cells
    plate_flow: FloatArray
    conductance: FloatArray
    far: FloatArray
    landed: FloatArray
    solids: FloatArray
    arrival_k: float
    laydown_s: float

    def laid(self, t: float) -> float:
        return min(1.0, SEED_SHARE + (1.0 - SEED_SHARE) * t / self.laydown_s)

    def solids_heat(self, t: float) -> float:
        kg = float(self.solids[0]) / self.liquid.polymer_volume
        return SOLIDS_HEAT_CAPACITY * kg * self.laid(t)

    def fluxes(self, t: float, moles: FloatArray, kelvin: FloatArray) -> FloatArray:
        """Molar flux of each species off the film, mol/(m² s): (N, S)."""
        solids = np.full(kelvin.shape, float(self.solids[0]) * self.laid(t))
        activity = self.liquid.activities(moles, solids, kelvin)
        pressure = activity * self.liquid.saturation(kelvin)
        stefan = stefan_factor(
            pressure.sum(axis=1), self.far.sum(), np.asarray(self.case.pressure_pa)
        )
        return np.asarray(stefan[:, None] * self.conductance * (pressure - self.far))

    def separation(
        self, t: float, moles: FloatArray, free: FloatArray, kelvin: FloatArray
    ) -> FloatArray:
        """Water that leaves solution for droplets (or dissolves, below zero), mol/(m² s)."""
        if self.case.blend.polymer_chi is None:
            return np.zeros_like(free)  # water is the carrier of a dispersion
        solids = np.full(kelvin.shape, float(self.solids[0]) * self.laid(t))
        water = self.liquid.water
        activity = np.maximum(self.liquid.activities(moles, solids, kelvin)[:, water], 1e-9)
        flow = np.maximum(moles[:, water], 0.0) * np.log(activity) / _SEPARATION_S
        left = free / (np.abs(free) + _FREE_SCALE)  # signed, so that an overshoot is taken back
        return np.asarray(np.where(flow > 0.0, flow, flow * left))

    def __call__(self, t: float, columns: FloatArray, *, arriving: bool) -> FloatArray:
        single = columns.ndim == 1
        state = np.atleast_2d(columns.T) if not single else columns[None, :]
        count = self.landed.size
        moles, free, kelvin = state[:, :count], state[:, count], state[:, count + 1]
        plate = state[:, count + 2 : -3]
        case, liquid = self.case, self.liquid
        off = self.fluxes(t, moles, kelvin)
        h = case.h_w_m2k * heat_factor(off, liquid, np.full(kelvin.shape, case.h_w_m2k))
        warmed = h * (case.air_k - kelvin) + EMISSIVITY * STEFAN_BOLTZMANN * (
            case.air_k**4 - kelvin**4
        )
        latent = (off * liquid.latent_heat(kelvin)).sum(axis=1)
        into_plate = self.plate.conductance[0] * (kelvin - plate[:, 0])
        rate = (1.0 - SEED_SHARE) / self.laydown_s if arriving else 0.0
        capacity = (
            moles @ liquid.heat_capacity
            + free * liquid.heat_capacity[liquid.water]
            + self.solids_heat(t)
        )
        arriving_heat = rate * float(
            self.landed @ liquid.heat_capacity + self.solids_heat(self.laydown_s)
        )
        change = np.empty_like(state)
        parted = self.separation(t, moles, free, kelvin)
        change[:, :count] = rate * self.landed - off
        change[:, liquid.water] -= parted
        change[:, count] = parted
        change[:, count + 1] = (
            warmed - latent - into_plate + arriving_heat * (self.arrival_k - kelvin)
        ) / capacity
        change[:, count + 2 : -3] = plate @ self.plate_flow.T
        change[:, count + 2] += self.plate.conductance[0] * kelvin / self.plate.capacity[0]
        change[:, -3] = warmed + arriving_heat * (self.arrival_k - case.face_k)
        change[:, -2] = latent + (off @ liquid.heat_capacity) * (kelvin - case.face_k)
        change[:, -1] = off @ liquid.molar_mass
        return np.asarray(change[0] if single else change.T)


def set_volume(blend: Blend, landed_volume: FloatArray, solids_volume: FloatArray) -> FloatArray:
    """Volume of solvent, m³/m², at which a film counts as set."""
    limit = (1.0 - blend.set_volume_fraction) / blend.set_volume_fraction
    return np.maximum(solids_volume * limit, DRY_SHARE * landed_volume)


def solvent_volumes(blend: Blend, liquid: Liquid) -> FloatArray:
    """Molar volume of what keeps a film from setting: all but water, which sets no polymer free.

    In a dispersion, and where there is nothing else, water counts too.
    """
    volumes = liquid.molar_volume.copy()
    if blend.polymer_chi is not None and any(name != "water" for name, _ in blend.solvents):
        volumes[liquid.water] = 0.0
    return volumes


def _model(case: Case) -> _Model:
    liquid, method = liquid_of(case.blend, case.retarder), METHODS[case.blend.method]
    one = np.ones(1)
    arrival = arrive(
        liquid,
        liquid.activities,
        method,
        case.retarder_pct * one,
        case.air_k * one,
        case.water_pa * one,
        case.pressure_pa * one,
        _FLIGHT_STEPS,
    )
    volume = float((arrival.moles @ liquid.molar_volume + arrival.solids_volume)[0])
    scale = case.wet_m / volume
    air = case.air_k * one
    far = np.zeros(len(liquid.names))
    far[liquid.water] = case.water_pa
    plate = cells(case.plate_mm, case.wood, case.earlier_um, count=28, first_um=15.0)
    return _Model(
        case=case,
        liquid=liquid,
        plate=plate,
        plate_flow=plate.matrix(),
        conductance=conductances(
            lewis_numbers(liquid, air), case.h_w_m2k * one, case.pressure_pa * one, 2.0 / 3.0
        )[0],
        far=far,
        landed=arrival.moles[0] * scale,
        solids=arrival.solids_volume * scale,
        arrival_k=float(arrival.kelvin[0]),
        laydown_s=method.laydown_s,
    )


def trace(case: Case) -> Trace:
    """Follow one film until it sets, or to the horizon."""
    from scipy.integrate import solve_ivp

    model = _model(case)
    liquid, count = model.liquid, model.landed.size
    landed_volume = np.asarray(model.landed @ liquid.molar_volume)
    limit = float(set_volume(case.blend, landed_volume, model.solids[0]))
    volumes = solvent_volumes(case.blend, liquid)

    def sets(_t: float, y: FloatArray) -> float:
        return float(np.maximum(y[:count], 0.0) @ volumes) - limit

    sets.terminal = True  # type: ignore[attr-defined]
    tolerance = np.concatenate(
        [np.full(count + 1, 1e-7), np.full(1 + model.plate.capacity.size, 1e-3), [1.0, 1.0, 1e-6]]
    )
    first = np.concatenate(
        [
            SEED_SHARE * model.landed,
            [0.0, case.face_k],
            np.full(model.plate.capacity.size, case.face_k),
            np.zeros(3),
        ]
    )
    times: list[FloatArray] = []
    states: list[FloatArray] = []
    set_at = np.inf
    for begin, end, arriving in ((0.0, model.laydown_s, True), (model.laydown_s, HORIZON_S, False)):
        if not arriving and sets(0.0, first) <= 0.0:
            set_at = begin
            break
        solved = solve_ivp(
            lambda t, y, arriving=arriving: model(t, y, arriving=arriving),
            (begin, end),
            first,
            method="BDF",
            vectorized=True,
            rtol=1e-5,
            atol=tolerance,
            events=None if arriving else sets,
            first_step=1e-4 if arriving else 1e-2,
        )
        if not solved.success:
            msg = f"the film could not be followed beyond {solved.t[-1]:.1f} s: {solved.message}"
            raise ArithmeticError(msg)
        times.append(solved.t)
        states.append(solved.y.T)
        first = solved.y[:, -1]
        if not arriving and solved.t_events[0].size:
            set_at = float(solved.t_events[0][0])
    time, state = np.concatenate(times), np.concatenate(states)
    mass, energy = _closures(model, state[-1])
    return Trace(
        liquid=liquid,
        time_s=time,
        kelvin=state[:, count + 1],
        moles=state[:, :count],
        free_water=state[:, count],
        solids_volume=model.solids[0] * np.array([model.laid(t) for t in time]),
        off=np.array(
            [
                model.fluxes(t, row[None, :count], row[count + 1 : count + 2])[0]
                for t, row in zip(time, state, strict=True)
            ]
        ),
        landed=model.landed,
        set_at_s=set_at,
        mass_closure=mass,
        energy_closure=energy,
    )


def _closures(model: _Model, last: FloatArray) -> tuple[float, float]:
    """What is missing at the end from the balances of mass and of energy."""
    liquid, count, face = model.liquid, model.landed.size, model.case.face_k
    held = last[:count] @ liquid.molar_mass + last[count] * liquid.molar_mass[liquid.water]
    landed = float(model.landed @ liquid.molar_mass)
    mass = abs(landed - float(held) - last[-1]) / landed if landed else 0.0
    capacity = (
        last[:count] @ liquid.heat_capacity
        + last[count] * liquid.heat_capacity[liquid.water]
        + model.solids_heat(np.inf)
    )
    stored = capacity * (last[count + 1] - face)
    stored += model.plate.capacity @ (last[count + 2 : -3] - face)
    passed = max(abs(last[-2]), abs(last[-3]), 1.0)
    return mass, float(abs(last[-3] - last[-2] - stored) / passed)
