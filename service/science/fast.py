"""The fast form: the same film physics for many cases at once, in a few dozen steps each.

It differs from the full model in its numbers only: UNIFAC interpolated between two temperatures,
fewer and wider cells in the plate (followed exactly, by their eigenmodes), and steps that grow with
the film's age instead of a stiff solver's.
"""

from __future__ import annotations

from dataclasses import fields

import numpy as np

from service.science._checks import FloatArray
from service.science.balances import EMISSIVITY, SEED_SHARE, set_volume, solvent_volumes
from service.science.blend import METHODS, Blend
from service.science.droplets import SOLIDS_HEAT_CAPACITY, arrive
from service.science.films import Cases, Films, Outcome, rows_of
from service.science.liquid import lewis_numbers, liquid_of
from service.science.plate import Modes, Wood, modes
from service.science.stepping import Stepper, Surroundings, stepper_of
from service.science.tally import Tally
from service.science.transfer import STEFAN_BOLTZMANN, conductances

__all__ = ["follow"]

_AT_ONCE = 512  # films whose arrays stay in the processor's cache
_FLIGHT_STEPS, _FLASH_STEPS = 10, 28
_LAYDOWN_STEPS, _CROWDING = 20, 3.0
_GROWTH, _DEPLETION = 0.18, 0.3
_BLOCK = 6


def follow(blend: Blend, retarder: str, wood: Wood, earlier_um: float, cases: Cases) -> Outcome:
    """Follow N films of one blend until they set, or to the horizon."""
    count = cases.air_k.size
    parts = [
        _follow(blend, retarder, wood, earlier_um, rows_of(cases, slice(start, start + _AT_ONCE)))
        for start in range(0, count, _AT_ONCE)
    ]
    if len(parts) == 1:
        return parts[0]
    together = ([getattr(part, f.name) for part in parts] for f in fields(Outcome))
    return Outcome(*(np.concatenate([np.empty(0), *columns]) for columns in together))


def _follow(blend: Blend, retarder: str, wood: Wood, earlier_um: float, cases: Cases) -> Outcome:
    liquid, laydown_s = liquid_of(blend, retarder), METHODS[blend.method].laydown_s
    stepper = stepper_of(liquid)
    films = _laid(blend, stepper, cases, modes(cases.plate_mm, wood, earlier_um))
    volumes = solvent_volumes(blend, liquid)
    tally = Tally(blend, liquid, films, laydown_s)
    for step in _laydown(laydown_s):
        _step(stepper, films, np.full_like(films.time, step), laydown_s)
        tally.note(films)
    while films.row.size:
        keep = tally.close(films)
        if not keep.all():
            films = rows_of(films, keep)
        for _ in range(_BLOCK):
            _step(stepper, films, _pace(films, volumes), 0.0)
            tally.note(films)
    return tally.outcome


def _pace(films: Films, volumes: FloatArray) -> FloatArray:
    """Next step: a part of the film's age, or less of the time that its solvent still lasts."""
    left = films.wet.moles @ volumes
    lost = np.maximum(films.left - left, 1e-30)
    lasts = films.step * left / lost
    films.left = left
    return np.minimum(_GROWTH * films.time, _DEPLETION * lasts)


def _laydown(laydown_s: float) -> FloatArray:
    edges = np.expm1(_CROWDING * np.linspace(0.0, 1.0, _LAYDOWN_STEPS + 1)) / np.expm1(_CROWDING)
    return np.asarray(laydown_s * np.diff(edges))


def _laid(blend: Blend, stepper: Stepper, cases: Cases, plates: Modes) -> Films:
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
    return Films(
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
        sprayed=scale * liquid.volatile(cases.retarder_pct),
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


def _step(stepper: Stepper, films: Films, dt: FloatArray, laydown_s: float) -> None:
    """Take one step; `laydown_s` is zero once the coat is down."""
    cases, wet, plates = films.cases, films.wet, films.plates
    warmer = wet.kelvin - cases.face_k
    held, gain = plates.response(dt, warmer)
    plate_now = plates.conductance * (plates.amplitude.sum(axis=1) - warmer)
    to_plate = plates.conductance * (1.0 - gain.sum(axis=1))
    radiation = (
        EMISSIVITY * STEFAN_BOLTZMANN
        * (cases.air_k + wet.kelvin) * (cases.air_k**2 + wet.kelvin**2)
    )  # fmt: skip
    other_slope = radiation + to_plate
    other_heat = (
        radiation * cases.air_k + to_plate * cases.face_k + plates.conductance * (held.sum(axis=1))
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
