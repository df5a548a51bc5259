"""The full model of a wet film: balances closed, limits met, textbook cases reproduced."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from blends import BLENDS, NITROCELLULOSE_AEROSOL, NITROCELLULOSE_GUN
from scipy.optimize import brentq

from service.science import air, film, solvents

USUAL = {"wet_um": 100.0, "h_w_m2k": 10.0, "plate_mm": 3.0}
ATM = 101325.0


def pure(name, **more):
    """One solvent and nothing else, laid down as it is."""
    return film.Blend(solvents=((name, 1.0),), solids_pct=0.0, method="brush", **more)


@pytest.mark.parametrize("name", BLENDS)
def test_mass_and_energy_close(name):
    """Nothing is lost: 0.1 % of what passed through is asked."""
    course = film.simulate(BLENDS[name], 26.0, 65.0, retarder_pct=4.0, **USUAL)
    assert course.mass_closure < 1e-3
    assert course.energy_closure < 1e-3


@pytest.mark.parametrize("name", BLENDS)
def test_no_more_solvent_leaves_than_landed(name):
    course = film.simulate(BLENDS[name], 22.0, 40.0, **USUAL)
    dry = [k for k, s in enumerate(course.species) if s != "water"]
    at_set = course.held_kg_m2[dry, -1].sum()
    landed = course.summary.released_kg_m2 + at_set
    assert 0.02 < landed < 0.1 or name.startswith("water")
    assert course.held_kg_m2.min() > -1e-6
    assert course.summary.sprayed_kg_m2 >= landed  # the rest went on the way
    assert course.summary.release_peak_kg_m2s * course.time_s[-1] > course.summary.released_kg_m2


def test_no_solvent_no_cooling():
    """Bare solids in dry air of their own temperature stay there: 0.01 K for the solver."""
    solid = film.Blend(solvents=(), solids_pct=100.0, method="brush")
    course = film.simulate(solid, 23.0, 0.0, **USUAL)
    assert np.abs(course.film_c - 23.0).max() < 0.01
    assert course.summary.condensed_peak_g_m2 < 1e-3


@pytest.mark.parametrize(("air_c", "rh_pct"), [(20.0, 30.0), (25.0, 50.0), (30.0, 80.0)])
def test_a_film_of_water_comes_to_the_wet_bulb(air_c, rh_pct):
    """In a strong draught, over a thin plate: the thermodynamic wet bulb within 0.7 K.

    0.7 K because water vapour diffuses faster than heat (Lewis number 0.86, not 1): the film ends
    a little below. Its own wet bulb, with that Lewis number, is met in the next test.
    """
    course = film.simulate(pure("water"), air_c, rh_pct, wet_um=300.0, h_w_m2k=300.0, plate_mm=0.5)
    late = course.film_c[course.time_s > 0.5 * course.time_s[-1]]
    bulb = air.wet_bulb(air_c, rh_pct, ATM)
    assert bulb - 0.7 < late.min() < bulb + 0.1


@pytest.mark.parametrize(
    ("name", "air_c", "tolerance"),
    [
        ("water", 25.0, 0.3),
        ("toluene", 40.0, 0.4),
        ("n-butyl acetate", 25.0, 0.2),
        ("ethanol", 35.0, 0.5),
        ("n-heptane", 30.0, 0.5),
    ],
)
def test_one_solvent_comes_to_its_textbook_wet_bulb(name, air_c, tolerance):
    """h (T_air - T) = k p(T)/(R T) dHv, as in Incropera 6.7 and Treybal 7.9, in dry air.

    The tolerance allows for what the textbook leaves out and the model keeps: Stefan's and
    Ackermann's corrections, and radiation against a draught of 1000 W/(m² K).
    """
    from service.science.blend import Blend
    from service.science.liquid import AIR_MOLAR_HEAT_CAPACITY, lewis_numbers, liquid_of

    liquid = liquid_of(Blend(solvents=((name, 1.0),), solids_pct=0.0), name)
    lewis = lewis_numbers(liquid, np.array([air_c + 273.15]))[0, liquid.names.index(name)]
    ratio = lewis ** (-2.0 / 3.0) / (AIR_MOLAR_HEAT_CAPACITY * ATM)

    def balance(celsius):
        flux = ratio * solvents.vapour_pressure(name, celsius)
        return air_c - celsius - flux * solvents.latent_heat(name, celsius)

    expected = brentq(balance, -19.0, air_c)
    course = film.simulate(
        pure(name), air_c, 0.0, wet_um=400.0, h_w_m2k=1000.0, plate_mm=0.3, retarder=name
    )
    late = course.film_c[course.time_s > 0.6 * course.time_s[-1]]
    assert late.min() == pytest.approx(expected, abs=tolerance)


def test_a_great_draught_sets_the_floor_alone():
    """With h to infinity plate and radiation no longer count: the floor stops moving, to 0.2 K.

    The film also dries before a thick plate can cool, so a thin film on a thin plate is taken.
    """
    floors = [
        film.simulate(
            pure("toluene"), 25.0, 0.0, wet_um=400.0, h_w_m2k=h, plate_mm=plate, retarder="toluene"
        ).summary.film_floor_c
        for h, plate in ((1000.0, 0.3), (3000.0, 0.3), (3000.0, 0.6))
    ]
    assert np.ptp(floors) < 0.2


def test_thickness_stops_to_matter():
    """What lies deeper than heat reaches while the film is wet cannot be felt: 20 and 500 mm."""
    floors = [
        film.simulate(
            NITROCELLULOSE_GUN, 24.0, 40.0, wet_um=100.0, h_w_m2k=10.0, plate_mm=mm
        ).summary.film_floor_c
        for mm in (20.0, 500.0)
    ]
    assert floors[0] == pytest.approx(floors[1], abs=0.02)


def test_two_alike_solvents_leave_as_in_raoults_law():
    """Rayleigh: d ln n1/d ln n2 is the ratio of p k, whatever the temperature does: within 2 %.

    Heptane and octane are ideal within 1 %; the derivative is taken between the solver's steps.
    """
    blend = film.Blend(
        solvents=(("n-heptane", 0.5), ("n-octane", 0.5)), solids_pct=0.0, method="brush"
    )
    course = film.simulate(blend, 25.0, 0.0, retarder="n-octane", **USUAL)
    settled = (course.time_s > 5.0) & (course.time_s < 0.8 * course.time_s[-1])
    held = course.held_kg_m2[:2, settled]
    ours = np.diff(np.log(held[0])) / np.diff(np.log(held[1]))
    middle = 0.5 * (course.film_c[settled][1:] + course.film_c[settled][:-1])
    speeds = [
        solvents.vapour_pressure(n, middle) * solvents.diffusivity(n, 25.0) ** (2.0 / 3.0)
        for n in ("n-heptane", "n-octane")
    ]
    assert np.abs(ours / (speeds[0] / speeds[1]) - 1.0).max() < 0.02


def test_floors_are_of_the_size_that_practice_knows():
    """A usual thinner at 24 °C falls 5 to 13 K, common practice says up to about 11 K (20 °F)."""
    for wet, h in ((50.0, 8.0), (100.0, 12.0), (200.0, 5.0)):
        course = film.simulate(NITROCELLULOSE_GUN, 24.0, 40.0, wet_um=wet, h_w_m2k=h, plate_mm=3.0)
        assert 5.0 < 24.0 - course.summary.film_floor_c < 13.0


def test_retarder_raises_the_floor_and_is_the_last_to_leave():
    plain, slowed = (
        film.simulate(NITROCELLULOSE_GUN, 24.0, 40.0, retarder_pct=r, **USUAL) for r in (0.0, 10.0)
    )
    assert slowed.summary.film_floor_c > plain.summary.film_floor_c + 0.5
    assert slowed.summary.flash_off_s > 1.5 * plain.summary.flash_off_s
    retarder = slowed.species.index("2-butoxyethanol")
    solvent = [k for k, s in enumerate(slowed.species) if s != "water"]
    assert slowed.held_kg_m2[retarder, -1] > 0.8 * slowed.held_kg_m2[solvent, -1].sum()


def test_water_condenses_in_damp_air_alone():
    dry, damp = (film.simulate(NITROCELLULOSE_GUN, 24.0, rh, **USUAL) for rh in (30.0, 85.0))
    assert dry.summary.condensed_peak_g_m2 == pytest.approx(0.0, abs=1e-6)
    assert damp.summary.film_floor_c < air.dew_point(24.0, 85.0)
    assert damp.summary.condensed_at_set_g_m2 > 1.0
    assert damp.summary.condensed_peak_g_m2 <= damp.summary.water_peak_g_m2 + 1e-6


def test_retarder_lets_the_water_out_again():
    """What a retarder is bought for: the water that condensed has left before the film sets."""
    plain, slowed = (
        film.simulate(NITROCELLULOSE_GUN, 26.0, 62.0, retarder_pct=r, **USUAL).summary
        for r in (0.0, 15.0)
    )
    assert slowed.condensed_at_set_g_m2 < 0.5 * plain.condensed_at_set_g_m2


def test_a_can_sprays_colder_and_wetter_than_a_gun():
    can, gun = (
        film.simulate(b, 24.0, 60.0, **USUAL) for b in (NITROCELLULOSE_AEROSOL, NITROCELLULOSE_GUN)
    )
    early = 1.0
    assert np.interp(early, can.time_s, can.film_c) < np.interp(early, gun.time_s, gun.film_c) - 1.0
    assert can.summary.condensed_peak_g_m2 > gun.summary.condensed_peak_g_m2


def test_cold_work_starts_cold_and_warm_work_warm():
    cold, warm = (
        film.simulate(NITROCELLULOSE_GUN, 22.0, 50.0, surface_c=c, **USUAL) for c in (18.0, 24.0)
    )
    assert cold.film_c[0] == pytest.approx(18.0)
    assert warm.film_c[0] == pytest.approx(24.0)
    assert cold.summary.film_floor_c < warm.summary.film_floor_c - 1.0


def test_dense_wood_gives_more_heat():
    spruce, maple = (
        film.simulate(NITROCELLULOSE_GUN, 24.0, 40.0, wood=w, **USUAL).summary.film_floor_c
        for w in ("spruce", "maple")
    )
    assert maple > spruce


def test_a_film_that_stays_wet_says_so():
    """Nearly all retarder in cold still air has not set in four hours."""
    slow = film.Blend(solvents=(("2-butoxyethanol", 0.9),), solids_pct=10.0, method="brush")
    course = film.simulate(slow, 6.0, 30.0, wet_um=200.0, h_w_m2k=3.0, plate_mm=3.0)
    assert course.summary.flash_off_s == float("inf")
    assert course.time_s[-1] == pytest.approx(4 * 3600.0)


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"wet_um": 0.0}, "wet_um"),
        ({"h_w_m2k": float("nan")}, "h_w_m2k"),
        ({"plate_mm": 0.0}, "plate_mm"),
        ({"retarder_pct": 60.0}, "retarder_pct"),
        ({"retarder": "mystery"}, "mystery"),
        ({"pressure_pa": 0.0}, "pressure_pa"),
        ({"surface_c": 90.0}, "surface_c"),
        ({"wood": "plastic"}, "wood"),
        ({"earlier_um": -1.0}, "earlier_um"),
    ],
)
def test_errors_name_what_is_wrong(changes, named):
    with pytest.raises(ValueError, match=named):
        film.simulate(NITROCELLULOSE_GUN, 24.0, 40.0, **(USUAL | changes))


@pytest.mark.parametrize(("air_c", "rh_pct", "named"), [(70.0, 40.0, "air_c"), (20.0, 101.0, "rh")])
def test_errors_name_the_air(air_c, rh_pct, named):
    with pytest.raises(ValueError, match=named):
        film.simulate(NITROCELLULOSE_GUN, air_c, rh_pct, **USUAL)


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"solvents": (("mystery", 0.9),)}, "mystery"),
        ({"solvents": (("acetone", 0.5),)}, "add up"),
        ({"solvents": (("acetone", 1.5), ("toluene", -0.6))}, "solvents: acetone"),
        ({"solvents": (("acetone", 0.45), ("acetone", 0.45))}, "once"),
        ({"solids_pct": 120.0}, "solids_pct"),
        ({"polymer_density_kg_m3": 1.2}, "polymer_density"),
        ({"polymer_chi": 9.0}, "polymer_chi"),
        ({"method": "catapult"}, "method"),
        ({"set_volume_fraction": 1.0}, "set_volume_fraction"),
    ],
)
def test_a_blend_that_cannot_be_is_refused(changes, named):
    good = {"solvents": (("acetone", 0.9),), "solids_pct": 10.0}
    with pytest.raises(ValueError, match=named):
        film.Blend(**(good | changes))


def test_importing_the_film_is_light():
    """No SciPy and no pandas, and well below a second of processor time in a fresh interpreter."""
    script = (
        "import sys, time; start = time.process_time()\n"
        "import service.science.film\n"
        "print(time.process_time() - start)\n"
        "print([m for m in ('scipy', 'pandas') if m in sys.modules])\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script],
        cwd=Path(__file__).parents[2],
        capture_output=True,
        text=True,
        check=True,
    )
    seconds, heavy = done.stdout.splitlines()
    assert heavy == "[]"
    assert float(seconds) < 0.8
