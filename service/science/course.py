"""The full model: the balances of one wet film followed by a stiff solver until the film sets."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.science._checks import FloatArray
from service.science.balances import Case, balances_of, set_volume, solvent_volumes
from service.science.liquid import Liquid

__all__ = ["HORIZON_S", "Trace", "trace"]

HORIZON_S = 4 * 3600.0
"""A film that has not set by then is not followed further."""

_RELATIVE, _MOLES, _KELVIN = 4e-6, 1e-7, 4e-4
"""Tolerances of the solver: of all, of amounts (mol/m²) and of temperatures."""


@dataclass(frozen=True, eq=False)
class Trace:
    """What the solver found, over K times.

    Attributes
    ----------
    time_s, kelvin, solids_volume : array (K,)
        s, K, m³/m².
    moles, off : array (K, S)
        In solution, mol/m²; flux off the film, mol/(m² s).
    free_water, condensed : array (K,)
        Water in droplets, and water taken up below the dew point, mol/m².
    landed : array (S,)
        Moles laid down in all, mol/m².
    sprayed : float
        Solvent and propellant that left the nozzle for it, kg/m².
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
    condensed: FloatArray
    solids_volume: FloatArray
    off: FloatArray
    landed: FloatArray
    sprayed: float
    set_at_s: float
    mass_closure: float
    energy_closure: float


def trace(case: Case) -> Trace:
    """Follow one film until it sets, or to the horizon."""
    from scipy.integrate import solve_ivp

    film = balances_of(case)
    liquid, count = film.liquid, film.landed.size
    landed_volume = np.asarray(film.landed @ liquid.molar_volume)
    limit = float(set_volume(case.blend, landed_volume, np.asarray(film.solids_volume)))
    volumes = solvent_volumes(case.blend, liquid)

    def sets(_t: float, y: FloatArray) -> float:
        return float(np.maximum(y[:count], 0.0) @ volumes) - limit

    sets.terminal = True  # type: ignore[attr-defined]
    tolerance = np.concatenate(
        [
            np.full(count + 2, _MOLES),
            np.full(1 + film.plate.capacity.size, _KELVIN),
            [1.0, 1.0, 1e-6],
        ]
    )
    state = film.first()
    times: list[FloatArray] = []
    states: list[FloatArray] = []
    set_at = np.inf
    for begin, end, arriving in ((0.0, film.laydown_s, True), (film.laydown_s, HORIZON_S, False)):
        if not arriving and sets(0.0, state) <= 0.0:
            set_at = begin
            break
        # The solver reckons on with rows of its differences that it has not filled yet and does not
        # use: whatever lay in memory may make that overflow. A film that failed is told below.
        with np.errstate(over="ignore", invalid="ignore"):
            solved = solve_ivp(
                lambda t, y, arriving=arriving: film.rates(t, y, arriving=arriving),
                (begin, end),
                state,
                method="BDF",
                vectorized=True,
                rtol=_RELATIVE,
                atol=tolerance,
                events=None if arriving else sets,
                first_step=1e-4 if arriving else 1e-2,
            )
        if not solved.success:
            msg = f"the film could not be followed beyond {solved.t[-1]:.1f} s: {solved.message}"
            raise ArithmeticError(msg)
        times.append(solved.t)
        states.append(solved.y.T)
        state = solved.y[:, -1]
        if not arriving and solved.t_events[0].size:
            set_at = float(solved.t_events[0][0])
    time, course = np.concatenate(times), np.concatenate(states)
    mass, energy = film.missing(course[-1])
    moles, kelvin = course[:, :count], course[:, count + 2]
    return Trace(
        liquid=liquid,
        time_s=time,
        kelvin=kelvin,
        moles=moles,
        free_water=course[:, count],
        condensed=course[:, count + 1],
        solids_volume=film.solids_volume * film.laid(time),
        off=film.fluxes(time, moles, kelvin),
        landed=film.landed,
        sprayed=film.sprayed,
        set_at_s=set_at,
        mass_closure=mass,
        energy_closure=energy,
    )
