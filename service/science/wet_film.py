"""A wet film over time, in full or fast: arguments checked, answers in everyday units."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Generic

import numpy as np

from service.science import air
from service.science._checks import FloatArray, Quantity, as_given, within
from service.science.balances import Case
from service.science.blend import Blend
from service.science.constants import STANDARD_PRESSURE_PA, ZERO_CELSIUS_K
from service.science.course import Trace, trace
from service.science.fast import follow
from service.science.films import Cases, Outcome
from service.science.plate import WOODS, Wood
from service.science.solvents import get

__all__ = [
    "AIR_MAX_C",
    "AIR_MIN_C",
    "DEFAULT_RETARDER",
    "DEFAULT_WOOD",
    "FilmCourse",
    "FilmFloor",
    "floor",
    "simulate",
]

AIR_MIN_C, AIR_MAX_C = 5.0, 40.0
WET_MIN_UM, WET_MAX_UM = 30.0, 250.0
H_MIN_W_M2K, H_MAX_W_M2K = 3.0, 30.0
PLATE_MIN_MM, PLATE_MAX_MM = 1.0, 25.0
RETARDER_MAX_PCT = 20.0
PRESSURE_MIN_PA, PRESSURE_MAX_PA = 7.0e4, 1.1e5
DEFAULT_RETARDER = "2-butoxyethanol"
DEFAULT_WOOD = "spruce"


@dataclass(frozen=True)
class FilmFloor(Generic[Quantity]):
    """What a film comes to by the time it sets; each a float, or an array where arrays were given.

    Attributes
    ----------
    film_floor_c : float or array
        Lowest temperature of the film, °C.
    floor_at_s : float or array
        When, s after the first of it landed.
    condensed_peak_g_m2, condensed_at_set_g_m2 : float or array
        Water taken up while film or drops were below the dew point, less what has left of it: its
        peak, and what is caught when the film sets, g/m².
    water_peak_g_m2, water_at_set_g_m2 : float or array
        All water held, dissolved or not: its peak, and what is left at set.
    free_at_set_g_m2 : float or array
        Of that, what lies in the film as droplets because it is more than dissolves, g/m².
    flash_off_s : float or array
        When the film sets: the solids fill the part of it that the blend states (water apart, where
        it is no solvent of theirs). Infinite if it has not within four hours.
    released_kg_m2 : float or array
        Solvent vapour given off by the film until then, kg/m².
    release_peak_kg_m2s : float or array
        Its highest rate, kg/(m² s).
    sprayed_kg_m2 : float or array
        Solvent and propellant in the coat as it left the nozzle, and so all vapour that it gives
        the room in the end, overspray apart, kg/m².
    """

    film_floor_c: Quantity
    floor_at_s: Quantity
    condensed_peak_g_m2: Quantity
    condensed_at_set_g_m2: Quantity
    water_peak_g_m2: Quantity
    water_at_set_g_m2: Quantity
    free_at_set_g_m2: Quantity
    flash_off_s: Quantity
    released_kg_m2: Quantity
    release_peak_kg_m2s: Quantity
    sprayed_kg_m2: Quantity


@dataclass(frozen=True, eq=False)
class FilmCourse:
    """A film over time, K instants from the first touch until it sets.

    Attributes
    ----------
    time_s, film_c : array (K,)
    species : tuple of str
    held_kg_m2 : array (S, K)
        Of each species in solution, in the order of `species`.
    condensed_g_m2 : array (K,)
        Water taken up while film or drops were below the dew point, less what has left of it.
    free_water_g_m2 : array (K,)
        Water that lies in the film as droplets, because it is more than dissolves.
    solids_volume_fraction : array (K,)
        Part of the film that the solids fill.
    summary : FilmFloor
    mass_closure, energy_closure : float
        What is missing from the balances, as a part of what passed through.
    """

    time_s: FloatArray
    film_c: FloatArray
    species: tuple[str, ...]
    held_kg_m2: FloatArray
    condensed_g_m2: FloatArray
    free_water_g_m2: FloatArray
    solids_volume_fraction: FloatArray
    summary: FilmFloor[float]
    mass_closure: float
    energy_closure: float


def simulate(
    blend: Blend,
    air_c: float,
    rh_pct: float,
    *,
    wet_um: float,
    h_w_m2k: float,
    plate_mm: float,
    retarder_pct: float = 0.0,
    retarder: str = DEFAULT_RETARDER,
    pressure_pa: float = STANDARD_PRESSURE_PA,
    surface_c: float | None = None,
    wood: str = DEFAULT_WOOD,
    earlier_um: float = 0.0,
) -> FilmCourse:
    """Follow one wet film in full, by a stiff solver.

    Parameters
    ----------
    blend : Blend
        The material as applied.
    air_c, rh_pct : float
        The air over the work: 0 to 60 °C, 0 to 100 %.
    wet_um : float
        Wet film as it lands, 1 to 1000 µm.
    h_w_m2k : float
        Heat-transfer coefficient of the moving air, radiation apart, 0.5 to 1e5 W/(m² K).
    plate_mm : float
        Thickness of the wood, 0.1 to 500 mm.
    retarder_pct : float
        Retarder in the finished mix, 0 to 50 % by mass.
    retarder : str
        Which solvent that is.
    pressure_pa : float
        Of the air, 50 to 120 kPa.
    surface_c : float, optional
        Of the work before the coat, -5 to 65 °C; as the air where not given.
    wood : str
        A key of `plate.WOODS`. Spruce, the default, gives the film the least heat.
    earlier_um : float
        Earlier coats under this one, 0 to 2000 µm dry.

    Returns
    -------
    FilmCourse

    Raises
    ------
    ValueError
        If something is out of range or not known; the message names it.
    ArithmeticError
        If the solver gives up.
    """
    face_c = air_c if surface_c is None else surface_c
    case = Case(
        blend=blend,
        retarder=get(retarder).name,
        retarder_pct=float(within("retarder_pct", retarder_pct, 0.0, 50.0, "%")),
        air_k=float(within("air_c", air_c, 0.0, 60.0, "°C")) + ZERO_CELSIUS_K,
        water_pa=air.vapour_pressure(float(air_c), float(rh_pct)),
        pressure_pa=float(within("pressure_pa", pressure_pa, 5e4, 1.2e5, "Pa")),
        face_k=float(within("surface_c", face_c, -5.0, 65.0, "°C")) + ZERO_CELSIUS_K,
        wet_m=1e-6 * float(within("wet_um", wet_um, 1.0, 1000.0, "µm")),
        h_w_m2k=float(within("h_w_m2k", h_w_m2k, 0.5, 1e5, "W/(m² K)")),
        plate_mm=float(within("plate_mm", plate_mm, 0.1, 500.0, "mm")),
        wood=_wood(wood),
        earlier_um=float(within("earlier_um", earlier_um, 0.0, 2000.0, "µm")),
    )
    return _course(trace(case))


def floor(
    blend: Blend,
    air_c: Quantity | float,
    rh_pct: Quantity | float,
    *,
    wet_um: Quantity | float,
    h_w_m2k: Quantity | float,
    plate_mm: Quantity | float,
    retarder_pct: Quantity | float = 0.0,
    retarder: str = DEFAULT_RETARDER,
    pressure_pa: Quantity | float = STANDARD_PRESSURE_PA,
    surface_c: Quantity | float | None = None,
    wood: str = DEFAULT_WOOD,
    earlier_um: float = 0.0,
) -> FilmFloor[Quantity]:
    """Film floor and what goes with it, fast, for one film or arrays of them.

    As `simulate`, to within 0.3 K in film floor over the range below. Numbers and arrays of one
    shape may be mixed.

    Parameters
    ----------
    blend : Blend
        The material as applied.
    air_c, rh_pct : float or array
        The air over the work: 5 to 40 °C, 0 to 100 %.
    wet_um : float or array
        Wet film as it lands, 30 to 250 µm.
    h_w_m2k : float or array
        Heat-transfer coefficient of the moving air, radiation apart, 3 to 30 W/(m² K).
    plate_mm : float or array
        Thickness of the wood, 1 to 25 mm.
    retarder_pct : float or array
        Retarder in the finished mix, 0 to 20 % by mass.
    retarder : str
        Which solvent that is.
    pressure_pa : float or array
        Of the air, 70 to 110 kPa.
    surface_c : float or array, optional
        Of the work before the coat, 5 to 40 °C; as the air where not given.
    wood : str
        A key of `plate.WOODS`.
    earlier_um : float
        Earlier coats under this one, 0 to 1000 µm dry.

    Returns
    -------
    FilmFloor

    Raises
    ------
    ValueError
        If something is out of range or not known; the message names it.
    """
    air_k = within("air_c", air_c, AIR_MIN_C, AIR_MAX_C, "°C") + ZERO_CELSIUS_K
    face_c = air_c if surface_c is None else surface_c
    given = np.broadcast_arrays(
        within("retarder_pct", retarder_pct, 0.0, RETARDER_MAX_PCT, "%"),
        air_k,
        air.vapour_pressure(air_c, rh_pct),
        within("pressure_pa", pressure_pa, PRESSURE_MIN_PA, PRESSURE_MAX_PA, "Pa"),
        within("surface_c", face_c, AIR_MIN_C, AIR_MAX_C, "°C") + ZERO_CELSIUS_K,
        1e-6 * within("wet_um", wet_um, WET_MIN_UM, WET_MAX_UM, "µm"),
        within("h_w_m2k", h_w_m2k, H_MIN_W_M2K, H_MAX_W_M2K, "W/(m² K)"),
        within("plate_mm", plate_mm, PLATE_MIN_MM, PLATE_MAX_MM, "mm"),
    )
    shape = given[0].shape
    layers = float(within("earlier_um", earlier_um, 0.0, 1000.0, "µm"))
    outcome = follow(
        blend, get(retarder).name, _wood(wood), layers, Cases(*(np.ravel(g) for g in given))
    )
    return _summary(outcome, shape)


def _wood(name: str) -> Wood:
    if name not in WOODS:
        msg = f"wood must be one of {', '.join(WOODS)}, got {name!r}"
        raise ValueError(msg)
    return WOODS[name]


_WATER_G_MOL = 1e3 * get("water").molar_mass_kg_mol


def _summary(outcome: Outcome, shape: tuple[int, ...]) -> FilmFloor[Quantity]:
    def shaped(values: FloatArray) -> Quantity:
        answer: Quantity = as_given(values.reshape(shape))
        return answer

    return FilmFloor(
        film_floor_c=shaped(outcome.floor_k - ZERO_CELSIUS_K),
        floor_at_s=shaped(outcome.floor_at_s),
        condensed_peak_g_m2=shaped(_WATER_G_MOL * outcome.condensed_peak),
        condensed_at_set_g_m2=shaped(_WATER_G_MOL * outcome.condensed_at_set),
        water_peak_g_m2=shaped(_WATER_G_MOL * outcome.water_peak),
        water_at_set_g_m2=shaped(_WATER_G_MOL * outcome.water_at_set),
        free_at_set_g_m2=shaped(_WATER_G_MOL * outcome.free_at_set),
        flash_off_s=shaped(outcome.set_at_s),
        released_kg_m2=shaped(outcome.released),
        release_peak_kg_m2s=shaped(outcome.peak),
        sprayed_kg_m2=shaped(outcome.sprayed),
    )


def _course(found: Trace) -> FilmCourse:
    liquid, water = found.liquid, found.liquid.water
    coldest = int(found.kelvin.argmin())
    total_water = found.moles[:, water] + found.free_water
    condensed = np.maximum(found.condensed, 0.0)
    solvent = liquid.molar_mass.copy()
    solvent[water] = 0.0
    summary = FilmFloor(
        film_floor_c=float(found.kelvin[coldest] - ZERO_CELSIUS_K),
        floor_at_s=float(found.time_s[coldest]),
        condensed_peak_g_m2=float(_WATER_G_MOL * condensed.max()),
        condensed_at_set_g_m2=float(_WATER_G_MOL * condensed[-1]),
        water_peak_g_m2=float(_WATER_G_MOL * total_water.max()),
        water_at_set_g_m2=float(_WATER_G_MOL * total_water[-1]),
        free_at_set_g_m2=float(max(_WATER_G_MOL * found.free_water[-1], 0.0)),
        flash_off_s=found.set_at_s,
        released_kg_m2=float((found.landed - found.moles[-1]) @ solvent),
        release_peak_kg_m2s=float((found.off @ solvent).max()),
        sprayed_kg_m2=found.sprayed,
    )
    volume = found.moles @ liquid.molar_volume + found.free_water * liquid.molar_volume[water]
    return FilmCourse(
        time_s=found.time_s,
        film_c=found.kelvin - ZERO_CELSIUS_K,
        species=liquid.names,
        held_kg_m2=(found.moles * liquid.molar_mass).T,
        condensed_g_m2=_WATER_G_MOL * condensed,
        free_water_g_m2=_WATER_G_MOL * np.maximum(found.free_water, 0.0),
        solids_volume_fraction=found.solids_volume / (found.solids_volume + volume),
        summary=summary,
        mass_closure=found.mass_closure,
        energy_closure=found.energy_closure,
    )
