"""The fast form: the same film physics for many cases at once, in a few dozen steps each.

It differs from the full model in its numbers only: UNIFAC interpolated between two temperatures,
fewer and wider cells in the plate (followed exactly, by their eigenmodes), and steps that grow with
the film's age instead of a stiff solver's.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from service.science._checks import FloatArray
from service.science.blend import METHODS, Blend
from service.science.course import (
    EMISSIVITY,
    HORIZON_S,
    SEED_SHARE,
    set_volume,
    solvent_volumes,
)
from service.science.droplets import SOLIDS_HEAT_CAPACITY, arrive
from service.science.liquid import TINY_MOL, Liquid, lewis_numbers, liquid_of
from service.science.plate import Wood, cells
from service.science.stepping import Activities, Surroundings, Wet, advance, start
from service.science.transfer import STEFAN_BOLTZMANN, conductances

__all__ = ["Cases", "Outcome", "follow"]

_COLD_K, _WARM_K = 263.15, 303.15
_FLIGHT_STEPS = 16
_LAYDOWN_STEPS = 9
_CROWDING = 3.0
_GROWTH = 0.12
_FIRST_CELL_UM, _CELLS = 50.0, 12


@dataclass(frozen=True, eq=False)
class Cases:
    """Numbers of N films, each an array (N,), in SI units and kelvin."""

    retarder_pct: FloatArray
    air_k: FloatArray
    water_pa: FloatArray
    pressure_pa: FloatArray
    face_k: FloatArray
    wet_m: FloatArray
    h_w_m2k: FloatArray
    plate_mm: FloatArray


@dataclass(frozen=True, eq=False)
class Outcome:
    """What became of N films, each an array (N,); water in mol/m², solvent in kg/m²."""

    floor_k: FloatArray
    floor_at_s: FloatArray
    free_peak: FloatArray
    free_at_set: FloatArray
    water_peak: FloatArray
    water_at_set: FloatArray
    set_at_s: FloatArray
    released: FloatArray
    peak_release: FloatArray


@lru_cache(maxsize=64)
def _activities(liquid: Liquid) -> Activities:
    """UNIFAC at two temperatures, once a blend: its logarithm is all but linear between them."""
    tables = liquid.unifac
    pair = tables.psi(np.array([_COLD_K, _WARM_K]))
    pure_pair = tables.pure(pair)

    def activities(moles: FloatArray, solids_volume: FloatArray, kelvin: FloatArray) -> FloatArray:
        moles = np.maximum(moles, TINY_MOL)
        x = moles / moles.sum(axis=1, keepdims=True)
        weight = ((kelvin - _COLD_K) / (_WARM_K - _COLD_K))[:, None]
        exponent = tables.log_coefficients_between(x, pair, pure_pair, weight)
        if liquid.chi is not None:
            exponent += liquid.polymer_factor(moles, solids_volume)
        return np.asarray(x * np.exp(exponent))

    return activities


@dataclass(eq=False)
class _Plates:
    """Plates as eigenmodes (N, K), seen from the wet face; temperatures as above its first."""

    face: FloatArray
    rate: FloatArray
    drive: FloatArray
    conductance: FloatArray
    amplitude: FloatArray

    def response(self, dt: FloatArray, warmer: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Amplitudes after a step if the face ends at zero, and what each K at its end adds.

        The film's temperature, `warmer` (N,) before the step, runs straight over it.
        """
        z = self.rate * dt[:, None]
        decay = np.exp(-z)
        mean = (1.0 - decay) / np.maximum(z, 1e-12)
        scale = self.drive / self.rate
        held = self.amplitude * decay + scale * (mean - decay) * warmer[:, None]
        return held, scale * (1.0 - mean)


@lru_cache(maxsize=4096)
def _modes(plate_mm: float, wood: Wood, earlier_um: float) -> FloatArray:
    """Share in the face's cell, rate and drive of each eigenmode; last, the face's conductance."""
    plate = cells(plate_mm, wood, earlier_um, _CELLS, _FIRST_CELL_UM)
    root = np.sqrt(plate.capacity)
    rates, vectors = np.linalg.eigh(-plate.matrix() * (root[:, None] / root))
    face = vectors[0] / root[0]
    first = plate.conductance[0]
    return np.stack([face, rates, first * face, np.full(_CELLS, first)])


def _plates(cases: Cases, wood: Wood, earlier_um: float) -> _Plates:
    kinds, index = np.unique(cases.plate_mm, return_inverse=True)
    modes = np.stack([_modes(float(mm), wood, earlier_um) for mm in kinds])[index]
    face, rate, drive, first = modes.transpose(1, 0, 2)
    return _Plates(face, rate, drive, first[:, 0], np.zeros_like(face))


@dataclass(eq=False)
class _Films:
    """Films still being followed."""

    row: NDArray[np.intp]
    cases: Cases
    plates: _Plates
    wet: Wet
    time: FloatArray
    landed: FloatArray
    landed_k: FloatArray
    landed_heat: FloatArray
    solids_volume: FloatArray
    solids_heat: FloatArray
    limit: FloatArray
    conductance: FloatArray
    far: FloatArray


def _kept(record: Any, keep: NDArray[np.bool_]) -> Any:
    """Take the rows to keep of every array in a record of records."""
    if isinstance(record, np.ndarray):
        return record[keep]
    return type(record)(**{f.name: _kept(getattr(record, f.name), keep) for f in fields(record)})


def follow(blend: Blend, retarder: str, wood: Wood, earlier_um: float, cases: Cases) -> Outcome:
    """Follow N films of one blend until they set, or to the horizon."""
    liquid, laydown_s = liquid_of(blend, retarder), METHODS[blend.method].laydown_s
    activities = _activities(liquid)
    films = _laid(blend, liquid, activities, cases, _plates(cases, wood, earlier_um))
    volumes = solvent_volumes(blend, liquid)
    keeper = _Keeper(blend, liquid, films)
    for step in _laydown(laydown_s):
        films = _step(liquid, activities, films, np.full_like(films.time, step), laydown_s, keeper)
    while True:
        left = films.wet.moles @ volumes
        over = (left <= films.limit) | (films.time >= HORIZON_S)
        if over.any():
            films = _kept(films, ~over)
            if not films.row.size:
                return keeper.outcome
        films = _step(liquid, activities, films, _GROWTH * films.time, 0.0, keeper)


def _laydown(laydown_s: float) -> FloatArray:
    edges = np.expm1(_CROWDING * np.linspace(0.0, 1.0, _LAYDOWN_STEPS + 1)) / np.expm1(_CROWDING)
    return np.asarray(laydown_s * np.diff(edges))


def _laid(
    blend: Blend, liquid: Liquid, activities: Activities, cases: Cases, plates: _Plates
) -> _Films:
    """The first touch of each film, at the face's own temperature."""
    arrival = arrive(
        liquid,
        activities,
        METHODS[blend.method],
        cases.retarder_pct,
        cases.air_k,
        cases.water_pa,
        cases.pressure_pa,
        _FLIGHT_STEPS,
    )
    volume = arrival.moles @ liquid.molar_volume
    scale = cases.wet_m / (volume + arrival.solids_volume)
    landed = arrival.moles * scale[:, None]
    solids_volume = arrival.solids_volume * scale
    solids_heat = SOLIDS_HEAT_CAPACITY * solids_volume / liquid.polymer_volume
    far = np.zeros_like(landed)
    far[:, liquid.water] = cases.water_pa
    lewis = lewis_numbers(liquid, cases.air_k)
    return _Films(
        row=np.arange(cases.air_k.size),
        cases=cases,
        plates=plates,
        wet=start(
            liquid, activities, SEED_SHARE * landed, SEED_SHARE * solids_volume, cases.face_k
        ),
        time=np.zeros_like(cases.air_k),
        landed=landed,
        landed_k=arrival.kelvin,
        landed_heat=landed @ liquid.heat_capacity + solids_heat,
        solids_volume=solids_volume,
        solids_heat=solids_heat,
        limit=set_volume(blend, volume * scale, solids_volume),
        conductance=conductances(lewis, cases.h_w_m2k, cases.pressure_pa, 2.0 / 3.0),
        far=far,
    )


def _step(
    liquid: Liquid,
    activities: Activities,
    films: _Films,
    dt: FloatArray,
    laydown_s: float,
    keeper: _Keeper,
) -> _Films:
    """Take one step; `laydown_s` is zero once the coat is down."""
    cases, wet, plates = films.cases, films.wet, films.plates
    rate = (1.0 - SEED_SHARE) / laydown_s if laydown_s else 0.0
    laid = SEED_SHARE + rate * (films.time + dt) if laydown_s else np.ones_like(dt)
    held, gain = plates.response(dt, wet.kelvin - cases.face_k)
    rest = (plates.face * held).sum(axis=1)
    lag = 1.0 - (plates.face * gain).sum(axis=1)
    to_plate = plates.conductance * lag
    radiation = (
        EMISSIVITY * STEFAN_BOLTZMANN
        * (cases.air_k + wet.kelvin) * (cases.air_k**2 + wet.kelvin**2)
    )  # fmt: skip
    arriving = rate * films.landed_heat
    source = rate * films.landed
    around = Surroundings(
        conductance=films.conductance,
        far=films.far,
        pressure=cases.pressure_pa,
        h=cases.h_w_m2k,
        gas_kelvin=cases.air_k,
        other_heat=radiation * cases.air_k
        + arriving * films.landed_k
        + to_plate * cases.face_k
        + plates.conductance * rest,
        other_slope=radiation + arriving + to_plate,
        source=source,
        capacity=(wet.moles + 0.5 * source * dt[:, None]) @ liquid.heat_capacity
        + laid * films.solids_heat,
        solids_volume=laid * films.solids_volume,
    )
    after, lost = advance(liquid, activities, wet, around, dt)
    plates.amplitude = held + gain * (after.kelvin - cases.face_k)[:, None]
    keeper.keep(films, after, lost, dt, may_set=not laydown_s)
    films.wet, films.time = after, films.time + dt
    return films


class _Keeper:
    """Keeps what is asked of each film, step by step."""

    def __init__(self, blend: Blend, liquid: Liquid, films: _Films) -> None:
        n = films.time.size
        self.liquid = liquid
        self.volumes = solvent_volumes(blend, liquid)
        self.separates = blend.polymer_chi is not None
        self.solvent_mass = liquid.molar_mass.copy()
        self.solvent_mass[liquid.water] = 0.0
        zero = np.zeros(n)
        self.outcome = Outcome(
            floor_k=films.cases.face_k.copy(),
            floor_at_s=zero.copy(),
            free_peak=zero.copy(),
            free_at_set=zero.copy(),
            water_peak=zero.copy(),
            water_at_set=zero.copy(),
            set_at_s=np.full(n, np.inf),
            released=zero.copy(),
            peak_release=zero.copy(),
        )

    def keep(
        self, films: _Films, after: Wet, lost: FloatArray, dt: FloatArray, *, may_set: bool
    ) -> None:
        out, row, water = self.outcome, films.row, self.liquid.water
        before = films.wet
        start_left, end_left = before.moles @ self.volumes, after.moles @ self.volumes
        sets = (end_left <= films.limit) & may_set
        part = (start_left - films.limit) / np.maximum(start_left - end_left, 1e-30)
        part = np.where(sets, np.clip(part, 0.0, 1.0), 1.0)
        time = films.time + part * dt
        kelvin = before.kelvin + part * (after.kelvin - before.kelvin)
        total = before.moles + part[:, None] * (after.moles - before.moles)
        free = total[:, water] - before.dissolved - part * (after.dissolved - before.dissolved)
        free = free * self.separates
        colder = kelvin < out.floor_k[row]
        out.floor_k[row] = np.where(colder, kelvin, out.floor_k[row])
        out.floor_at_s[row] = np.where(colder, time, out.floor_at_s[row])
        for peak, now in (
            (out.free_peak, free),
            (out.water_peak, total[:, water]),
            (out.peak_release, lost @ self.solvent_mass),
        ):
            peak[row] = np.maximum(peak[row], now)
        out.free_at_set[row] = free
        out.water_at_set[row] = total[:, water]
        out.released[row] = (films.landed - total) @ self.solvent_mass
        out.set_at_s[row[sets]] = time[sets]
