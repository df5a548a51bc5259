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
from service.science.balances import EMISSIVITY, SEED_SHARE, set_volume, solvent_volumes
from service.science.blend import METHODS, Blend
from service.science.course import HORIZON_S
from service.science.droplets import SOLIDS_HEAT_CAPACITY, arrive
from service.science.liquid import Liquid, lewis_numbers, liquid_of
from service.science.plate import Wood, cells
from service.science.stepping import Stepper, Surroundings, Wet, stepper_of
from service.science.transfer import STEFAN_BOLTZMANN, conductances

__all__ = ["Cases", "Outcome", "follow"]

_FLIGHT_STEPS, _FLASH_STEPS = 10, 24
_LAYDOWN_STEPS = 12
_CROWDING = 3.0
_GROWTH = 0.11
_DEPLETION = 0.3
_BLOCK = 6
_FIRST_CELL_UM, _CELLS = 50.0, 12
_ONES = np.ones(_CELLS)


_Note = tuple[FloatArray, ...]
"""Of each film: time, temperature, condensed and all water, solvent left, solvent released."""


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
    condensed_peak: FloatArray
    condensed_at_set: FloatArray
    water_peak: FloatArray
    water_at_set: FloatArray
    set_at_s: FloatArray
    released: FloatArray
    peak: FloatArray
    """Highest rate of release, kg/(m² s)."""


@dataclass(eq=False)
class _Plates:
    """Plates as eigenmodes (N, K), seen from the wet face; temperatures as above its first."""

    rate: FloatArray
    gain: FloatArray
    """What each adds to the face's cell for each K that the film stays warmer."""
    amplitude: FloatArray
    """What each adds to the face's cell now, K."""
    conductance: FloatArray
    """From the film to the face's cell, W/(m² K): (N,)."""

    def response(self, dt: FloatArray, warmer: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Amplitudes after a step if the face ends at zero, and what each K at its end adds.

        The film's temperature, `warmer` (N,) before the step, runs straight over it.
        """
        z = self.rate * dt[:, None]
        decay = np.exp(-z)
        mean = (1.0 - decay) / (z + 1e-12)
        held = self.amplitude * decay + self.gain * (mean - decay) * warmer[:, None]
        return held, self.gain * (1.0 - mean)


@lru_cache(maxsize=4096)
def _modes(plate_mm: float, wood: Wood, earlier_um: float) -> FloatArray:
    """Rate and gain of each eigenmode of a plate, and in a third row the face's conductance."""
    plate = cells(plate_mm, wood, earlier_um, _CELLS, _FIRST_CELL_UM)
    root = np.sqrt(plate.capacity)
    rates, vectors = np.linalg.eigh(-plate.matrix() * (root[:, None] / root))
    face = vectors[0] / root[0]
    first = plate.conductance[0]
    return np.stack([rates, first * face**2 / rates, np.full(_CELLS, first)])


def _plates(cases: Cases, wood: Wood, earlier_um: float) -> _Plates:
    kinds, index = np.unique(cases.plate_mm, return_inverse=True)
    modes = np.stack([_modes(float(mm), wood, earlier_um) for mm in kinds])[index]
    rate, gain, first = modes.transpose(1, 0, 2)
    return _Plates(rate, gain, np.zeros_like(rate), first[:, 0])


@dataclass(eq=False)
class _Films:
    """Films still being followed; `row` is where each stands among all."""

    row: NDArray[np.intp]
    laid: float
    """Share of the coat that is down."""
    cases: Cases
    plates: _Plates
    wet: Wet
    time: FloatArray
    step: FloatArray
    left: FloatArray
    """Solvent in the film before the last step, m³/m²."""
    condensed: FloatArray
    landed: FloatArray
    landed_condensed: FloatArray
    landed_k: FloatArray
    landed_heat: FloatArray
    solids_volume: FloatArray
    solids_heat: FloatArray
    limit: FloatArray
    conductance: FloatArray
    back: FloatArray


def _kept(record: Any, keep: NDArray[np.bool_]) -> Any:
    """Take the rows to keep of every array in a record of records."""
    if isinstance(record, np.ndarray):
        return record[keep]
    if isinstance(record, float):
        return record
    return type(record)(**{f.name: _kept(getattr(record, f.name), keep) for f in fields(record)})


def follow(blend: Blend, retarder: str, wood: Wood, earlier_um: float, cases: Cases) -> Outcome:
    """Follow N films of one blend until they set, or to the horizon."""
    liquid, laydown_s = liquid_of(blend, retarder), METHODS[blend.method].laydown_s
    stepper = stepper_of(liquid)
    films = _laid(blend, stepper, cases, _plates(cases, wood, earlier_um))
    volumes = solvent_volumes(blend, liquid)
    keeper = _Keeper(blend, liquid, films, laydown_s)
    for step in _laydown(laydown_s):
        _step(stepper, films, np.full_like(films.time, step), laydown_s)
        keeper.note(films)
    while films.row.size:
        keep = keeper.close(films)
        if not keep.all():
            films = _kept(films, keep)
        for _ in range(_BLOCK):
            _step(stepper, films, _pace(films, volumes), 0.0)
            keeper.note(films)
    return keeper.outcome


def _pace(films: _Films, volumes: FloatArray) -> FloatArray:
    """Next step: a part of the film's age, or less of the time that its solvent still lasts."""
    left = films.wet.moles @ volumes
    lost = np.maximum(films.left - left, 1e-30)
    lasts = films.step * left / lost
    films.left = left
    return np.minimum(_GROWTH * films.time, _DEPLETION * lasts)


def _laydown(laydown_s: float) -> FloatArray:
    edges = np.expm1(_CROWDING * np.linspace(0.0, 1.0, _LAYDOWN_STEPS + 1)) / np.expm1(_CROWDING)
    return np.asarray(laydown_s * np.diff(edges))


def _laid(blend: Blend, stepper: Stepper, cases: Cases, plates: _Plates) -> _Films:
    """The first touch of each film, at the face's own temperature."""
    liquid = stepper.liquid
    arrival = arrive(
        liquid,
        METHODS[blend.method],
        cases.retarder_pct,
        cases.air_k,
        cases.water_pa,
        cases.pressure_pa,
        _FLASH_STEPS if liquid.flashes else _FLIGHT_STEPS,
    )
    volume = arrival.moles @ liquid.molar_volume
    scale = cases.wet_m / (volume + arrival.solids_volume)
    landed = arrival.moles * scale[:, None]
    solids_volume = arrival.solids_volume * scale
    solids_heat = SOLIDS_HEAT_CAPACITY * solids_volume / liquid.polymer_volume
    conductance = conductances(
        lewis_numbers(liquid, cases.air_k), cases.h_w_m2k, cases.pressure_pa, 2.0 / 3.0
    )
    back = np.zeros_like(landed)
    back[:, liquid.water] = conductance[:, liquid.water] * cases.water_pa
    return _Films(
        row=np.arange(cases.air_k.size),
        laid=SEED_SHARE,
        cases=cases,
        plates=plates,
        wet=stepper.start(
            SEED_SHARE * landed,
            SEED_SHARE * scale * arrival.dissolved,
            SEED_SHARE * solids_volume,
            cases.face_k,
        ),
        time=np.zeros_like(cases.air_k),
        step=np.zeros_like(cases.air_k),
        left=np.zeros_like(cases.air_k),
        condensed=SEED_SHARE * scale * arrival.condensed,
        landed=landed,
        landed_condensed=scale * arrival.condensed,
        landed_k=arrival.kelvin,
        landed_heat=landed @ liquid.heat_capacity + solids_heat,
        solids_volume=solids_volume,
        solids_heat=solids_heat,
        limit=set_volume(blend, volume * scale, solids_volume),
        conductance=conductance,
        back=back,
    )


def _step(stepper: Stepper, films: _Films, dt: FloatArray, laydown_s: float) -> None:
    """Take one step; `laydown_s` is zero once the coat is down."""
    cases, wet, plates = films.cases, films.wet, films.plates
    warmer = wet.kelvin - cases.face_k
    held, gain = plates.response(dt, warmer)
    plate_now = plates.conductance * (plates.amplitude @ _ONES - warmer)
    to_plate = plates.conductance * (1.0 - gain @ _ONES)
    radiation = (
        EMISSIVITY * STEFAN_BOLTZMANN
        * (cases.air_k + wet.kelvin) * (cases.air_k**2 + wet.kelvin**2)
    )  # fmt: skip
    other_slope = radiation + to_plate
    other_heat = (
        radiation * cases.air_k + to_plate * cases.face_k + plates.conductance * (held @ _ONES)
    )
    other_now = radiation * (cases.air_k - wet.kelvin) + plate_now
    moles, source, landed, water = wet.moles, None, 0.0, stepper.liquid.water
    if laydown_s:
        rate = (1.0 - SEED_SHARE) / laydown_s
        films.laid = SEED_SHARE + rate * float(films.time[0] + dt[0])
        source, landed = rate * films.landed, rate * float(dt[0])
        moles = moles + 0.5 * dt[:, None] * source
        other_slope = other_slope + rate * films.landed_heat
        other_heat = other_heat + rate * films.landed_heat * films.landed_k
        other_now = other_now + rate * films.landed_heat * (films.landed_k - wet.kelvin)
    around = Surroundings(
        conductance=films.conductance,
        back=films.back,
        far_sum=cases.water_pa,
        pressure=cases.pressure_pa,
        h=cases.h_w_m2k,
        gas_kelvin=cases.air_k,
        other_heat=other_heat,
        other_slope=other_slope,
        other_now=other_now,
        source=source,
        capacity=moles @ stepper.liquid.heat_capacity + films.laid * films.solids_heat,
        solids_volume=films.laid * films.solids_volume,
    )
    films.wet = stepper.advance(wet, around, dt)
    films.condensed = stepper.condensed(
        films.condensed, wet, films.wet, cases.water_pa, landed * films.landed[:, water]
    )
    films.condensed += landed * films.landed_condensed
    plates.amplitude = held + gain * (films.wet.kelvin - cases.face_k)[:, None]
    films.time, films.step = films.time + dt, dt


class _Keeper:
    """Notes each step of the films, and works up what is asked of them block by block."""

    def __init__(self, blend: Blend, liquid: Liquid, films: _Films, laydown_s: float) -> None:
        self.laydown_s = laydown_s
        self.volumes = solvent_volumes(blend, liquid)
        self.water = liquid.water
        self.solvent_mass = liquid.molar_mass.copy()
        self.solvent_mass[liquid.water] = 0.0
        self.notes: list[_Note] = []
        count = films.time.size
        self.outcome = Outcome(
            *(
                np.full(count, start)
                for start in (np.inf, 0.0, 0.0, 0.0, 0.0, 0.0, np.inf, 0.0, 0.0)
            )
        )
        self.note(films)

    def note(self, films: _Films) -> None:
        """Remember the state after a step."""
        wet = films.wet
        water = wet.moles[:, self.water]
        left = wet.moles @ self.volumes
        released = (films.laid * films.landed - wet.moles) @ self.solvent_mass
        self.notes.append((films.time, wet.kelvin, films.condensed, water, left, released))

    def close(self, films: _Films) -> NDArray[np.bool_]:
        """Work the block up; return which films are still to be followed."""
        time, kelvin, condensed, water, left, released = map(
            np.stack, zip(*self.notes, strict=True)
        )
        rows, films_at = np.arange(time.shape[0])[:, None], np.arange(time.shape[1])
        set_now = (left <= films.limit) & (time >= 0.999 * self.laydown_s)
        sets = set_now.any(axis=0)
        last = np.where(sets, set_now.argmax(axis=0), time.shape[0] - 1)
        before = np.maximum(last - 1, 0)
        drop = left[before, films_at] - left[last, films_at]
        part = (left[before, films_at] - films.limit) / np.where(drop > 0.0, drop, 1.0)
        part = np.where(sets & (time[before, films_at] >= 0.999 * self.laydown_s), part, 1.0)
        for course in (time, kelvin, condensed, water, released):  # the last step ends at the set
            start = course[before, films_at]
            course[last, films_at] = start + part * (course[last, films_at] - start)
        alive = rows <= last
        out, row = self.outcome, films.row
        kelvin = np.where(alive, kelvin, np.inf)
        coldest = kelvin.argmin(axis=0)
        lower = kelvin[coldest, films_at] < out.floor_k[row]
        out.floor_k[row[lower]] = kelvin[coldest, films_at][lower]
        out.floor_at_s[row[lower]] = time[coldest, films_at][lower]
        rate = np.diff(released, axis=0) / np.maximum(np.diff(time, axis=0), 1e-9)
        for peak, course in (
            (out.condensed_peak, condensed),
            (out.water_peak, water),
            (out.peak, rate),
        ):
            heights = np.where(alive[-course.shape[0] :], course, 0.0).max(axis=0)
            peak[row] = np.maximum(peak[row], heights)
        out.condensed_at_set[row] = condensed[last, films_at]
        out.water_at_set[row] = water[last, films_at]
        out.released[row] = released[last, films_at]
        end = time[last, films_at]
        sets &= end <= HORIZON_S
        out.set_at_s[row[sets]] = end[sets]
        keep: NDArray[np.bool_] = ~sets & (end < HORIZON_S)
        self.notes = [tuple(course[keep] for course in self.notes[-1])]
        return keep
