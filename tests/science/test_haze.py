"""The dew point from which on water stays undissolved in a film, against the full model."""

from __future__ import annotations

import numpy as np
import pytest
from blends import NITROCELLULOSE_AEROSOL, NITROCELLULOSE_GUN, WATERBORNE_ACRYLIC_GUN
from scipy.optimize import brentq

from service.science import air, film
from service.science.liquid import liquid_of
from service.store.catalogue import load_catalogue

SHIPPED = load_catalogue().materials
USUAL = {"h_w_m2k": 10.0, "plate_mm": 3.0}
NEAR_K = 0.8
"""Promised agreement of that dew point with the full model's."""


def undissolved(blend, air_c, dew_point_c, **films):
    rh_pct = min(float(air.rh_at_dew_point(air_c, dew_point_c)), 100.0)
    return film.simulate(blend, air_c, rh_pct, **films).summary.free_at_set_g_m2


@pytest.mark.parametrize(
    "name", ["nitro-lacquer-can", "toner-can", "vinyl-sealer-can", "nitro-lacquer-gun"]
)
def test_the_full_model_clouds_there_too(name):
    """Below that dew point the full model has less water left over than counts, above it more."""
    material, rng = SHIPPED[name], np.random.default_rng(len(name))
    for _ in range(3):
        air_c = float(rng.uniform(15.0, 30.0))
        films = {
            "wet_um": float(material.usual_wet_um * rng.uniform(0.8, 1.5)),
            "h_w_m2k": float(rng.uniform(6.0, 16.0)),
            "plate_mm": float(rng.uniform(2.5, 12.0)),
        }
        clouds_from = film.haze_dew_point(material.sprayed, air_c, **films)
        below = undissolved(material.sprayed, air_c, clouds_from - NEAR_K, **films)
        above = undissolved(material.sprayed, air_c, clouds_from + NEAR_K, **films)
        assert below < film.HAZE_G_M2, (air_c, films)
        assert above > film.HAZE_G_M2, (air_c, films)


@pytest.mark.parametrize(
    ("solvent", "percent"),
    [
        ("ethyl acetate", 3.0),
        ("n-butyl acetate", 1.5),
        ("isobutyl acetate", 1.6),
        ("toluene", 0.05),
        ("n-butanol", 20.0),
    ],
)
def test_water_that_single_solvents_dissolve(solvent, percent):
    """Handbook solubilities of water near 25 °C, % by mass (`from memory`), within a factor of 1.6.

    UNIFAC is made for vapour over liquids; more is not to be had of it for two liquids.
    """
    liquid = liquid_of(
        film.Blend(solvents=((solvent, 1.0),), solids_pct=0.0, polymer_density_kg_m3=1200.0),
        solvent,
    )

    def beyond(part):
        moles = np.zeros((1, len(liquid.names)))
        moles[0, liquid.water] = part / liquid.molar_mass[liquid.water]
        moles[0, 0] = (1.0 - part) / liquid.molar_mass[0]
        x = np.maximum(moles / moles.sum(), 1e-30)
        log_gamma = liquid.log_activity_coefficients(x, np.array([298.15]))
        return float(np.log(x[0, liquid.water]) + log_gamma[0, liquid.water])

    found = 100.0 * brentq(beyond, 1e-6, 0.3)
    assert percent / 1.6 < found < percent * 1.6


def test_cans_cloud_before_guns():
    """Cold drops bring water along: common practice holds cans to be the first to blush."""
    can, gun = (
        film.haze_dew_point(blend, 22.0, wet_um=80.0, **USUAL)
        for blend in (NITROCELLULOSE_AEROSOL, NITROCELLULOSE_GUN)
    )
    assert can < gun


def test_retarder_helps():
    """A slow solvent that takes water up keeps the film clear in damper air (common practice)."""
    dew = film.haze_dew_point(
        NITROCELLULOSE_GUN, 22.0, wet_um=80.0, retarder_pct=np.array([0.0, 5.0, 10.0]), **USUAL
    )
    assert np.all(np.diff(dew) > 0.3)


def test_water_as_the_carrier_clouds_nothing():
    assert film.haze_dew_point(WATERBORNE_ACRYLIC_GUN, 22.0, wet_um=80.0, **USUAL) == np.inf


def test_arrays_equal_numbers():
    airs = np.array([16.0, 22.0, 28.0])
    many = film.haze_dew_point(NITROCELLULOSE_AEROSOL, airs, wet_um=60.0, **USUAL)
    one = [film.haze_dew_point(NITROCELLULOSE_AEROSOL, a, wet_um=60.0, **USUAL) for a in airs]
    assert many.shape == airs.shape
    assert many == pytest.approx(one, abs=1e-9)


def test_an_error_names_what_is_wrong():
    with pytest.raises(ValueError, match="wet_um"):
        film.haze_dew_point(NITROCELLULOSE_GUN, 22.0, wet_um=2000.0, **USUAL)
