"""The solvent table against the library it came from, published figures, and its own script."""

from __future__ import annotations

import importlib.util
import json
import warnings
from pathlib import Path

import numpy as np
import published
import pytest
from hypothesis import given
from hypothesis import strategies as st
from published import near, row, rows

from service.science import air, solvents

ROOT = Path(__file__).parents[2]
ALIASES = {
    "MEK": "methyl ethyl ketone",
    "MIBK": "methyl isobutyl ketone",
    "PM acetate": "1-methoxy-2-propyl acetate",
    "propylene glycol methyl ether": "1-methoxy-2-propanol",
    "xylenes": "m-xylene",
}
LISTED = sorted(solvents.SOLVENTS)
# Rows are claimed as the module is read, so that test_published_evaporation.py can count them.
AT_BOILING = row("hvap-tb-isobutyl_acetate")
ETHYL_ACETATE_RATE = row("rer-ethyl_acetate")
LIQUIDS = [n for n in LISTED if solvents.SOLVENTS[n].evaporation_rate is not None]

# Not in the table, so by formula and molar mass: C6H6 and C5H10O2, volumes of Fuller 1966.
OTHERS = {"benzene": (90.68, 0.07811), "n-propyl acetate": (113.26, 0.10213)}


def known(name):
    return ALIASES.get(name, name)


def centigrade(inputs):
    return inputs["T_K"] - 273.15 if "T_K" in inputs else float(inputs.get("t_C", 25.0))


@pytest.fixture(scope="module")
def made():
    """The table as the script makes it now from the installed library."""
    spec = importlib.util.spec_from_file_location("made", ROOT / "deploy" / "make_solvents.py")
    script = importlib.util.module_from_spec(spec)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the libraries' own
        spec.loader.exec_module(script)
        return json.loads(script.text())


def test_the_script_still_makes_this_table(made):
    """Figures to 0.1 %: other releases of the library may round or refit."""
    committed = json.loads((ROOT / "service" / "science" / "solvents.json").read_text())
    assert [r["name"] for r in committed["solvents"]] == [r["name"] for r in made["solvents"]]
    for ours, theirs in zip(committed["solvents"], made["solvents"], strict=True):
        assert ours.keys() == theirs.keys()
        for key, value in ours.items():
            if isinstance(value, float):
                assert value == pytest.approx(theirs[key], rel=1e-3), (ours["name"], key)
            elif key == "antoine":
                assert np.allclose(value, theirs[key], rtol=1e-3, atol=0.1), ours["name"]
            elif key != "sources":
                assert value == theirs[key], (ours["name"], key)
    assert committed["unifac"] == made["unifac"]


def test_every_figure_names_its_source():
    for solvent in solvents.SOLVENTS.values():
        figures = {
            "antoine",
            "critical_k",
            "density_kg_m3",
            "diffusion_volume",
            "groups",
            "lfl_pct",
        }
        assert figures <= set(solvent.sources), solvent.name
        assert all(solvent.sources.values()), solvent.name


@pytest.mark.parametrize("row", rows(r"pv-(?!.*-dk).*"))
def test_vapour_pressure_against_published(row):
    name, at = known(row["inputs"]["solvent"]), centigrade(row["inputs"])
    assert solvents.vapour_pressure(name, at) == near(row)


@pytest.mark.parametrize("row", rows(r"pv-.*-dk"))
def test_vapour_pressure_against_the_danish_guideline(row):
    assert solvents.vapour_pressure(row["inputs"]["solvent"], 25.0) == near(row)


@pytest.mark.parametrize("row", rows(r"hvap-(?!tb).*"))
def test_latent_heat_against_the_crc_handbook(row):
    assert solvents.latent_heat(known(row["inputs"]["solvent"]), 25.0) / 1e3 == near(row)


def test_latent_heat_at_the_boiling_point():
    """Isobutyl acetate boils at 116.9 °C (CRC Handbook): Watson's relation must reach there."""
    assert solvents.latent_heat("isobutyl acetate", 116.9) / 1e3 == near(AT_BOILING)


@pytest.mark.parametrize("name", LIQUIDS)
def test_vapour_pressure_follows_clapeyron(name):
    """Slope of the curve and the latent heat are from different sources, yet must agree.

    Within 6 %: ideal vapour and no liquid volume cost 1 to 2 %, the two sources' own errors the
    rest; 13 % where one is an estimate or an old measurement of a slow solvent, and for isobutyl
    acetate, whose published vapour pressures differ by 11 %.
    """
    loose = {
        "isobutyl acetate",
        "2-butoxyethanol",
        "1-methoxy-2-propanol",
        "2-(2-butoxyethoxy)ethanol",
        "diacetone alcohol",
        "ethyl 3-ethoxypropionate",
    }
    p = solvents.vapour_pressure(name, np.array([20.0, 30.0]))
    by_slope = 8.314462618 * np.log(p[1] / p[0]) / (1 / 293.15 - 1 / 303.15)
    assert by_slope == pytest.approx(
        solvents.latent_heat(name, 25.0), rel=0.13 if name in loose else 0.06
    )


def test_water_agrees_with_the_saturation_curve_of_moist_air():
    """One curve may not say that a film is below the dew point and the other that it is not.

    0.2 % is 0.03 K. The Antoine form serves the film, where all species share one formula.
    """
    at = np.linspace(1.0, 45.0, 89)
    ours, curve = solvents.vapour_pressure("water", at), air.saturation_pressure(at)
    assert np.abs(ours / curve - 1.0).max() < 2e-3


@pytest.mark.parametrize("row", rows(r"diff-fsg-.*"))
def test_fullers_formula_against_published_results(row):
    assert solvents.diffusivity(known(row["inputs"]["solvent"]), 25.0) * 1e4 == near(
        row, tolerance="±0.0003"
    )


def fuller(inputs):
    name, kelvin = known(inputs["solvent"]), centigrade(inputs) + 273.15
    if name in OTHERS:
        return float(solvents.fuller_diffusivity(*OTHERS[name], kelvin, 101325.0))
    return solvents.diffusivity(name, kelvin - 273.15)


MEASURED = r"diff-(perry|welty|lugg|epa|luggmem)-"
WITHIN = rows(
    MEASURED
    + r"(isobutyl_acetate-0|ethyl_acetate-(0|30)|methanol|o-xylene|toluene|xylenes|MEK|isopropanol)"
    + r"(?<!perry-toluene)(?<!welty-toluene)(?<!lugg-toluene)"
) + rows(r"diff-(luggmem-ethyl_acetate|epa-benzene)")


@pytest.mark.parametrize("row", WITHIN)
def test_diffusion_against_measurement(row):
    scale = {"cm2/s": 1e4, "m2/s": 1.0, "m2 Pa/s": 101325.0}[row["unit"]]
    assert fuller(row["inputs"]) * scale == near(row)


def test_diffusion_over_all_measured_figures():
    """Fuller's formula is good to 10 % of measurement, its authors say.

    One figure is left out: 0.109 cm²/s for acetone at 0 °C, 20 % above what the others give for it.
    """
    errors = []
    for name, one in published.ROWS.items():
        if name.startswith("diff-") and "fsg" not in name and name != "diff-perry-acetone-0":
            scale = {"cm2/s": 1e4, "m2/s": 1.0, "m2 Pa/s": 101325.0}[one["unit"]]
            errors.append(fuller(one["inputs"]) * scale / one["expected"] - 1.0)
    assert len(errors) == 25
    assert max(map(abs, errors)) < 0.10
    assert abs(float(np.mean(errors))) < 0.02


def accepted(row):
    low, *high = [float(x) for x in row["tolerance"].removeprefix("accept ").split("-")]
    return low, high[0]


@pytest.mark.parametrize(
    "row",
    rows(
        r"rer-(PM_acetate|MIBK|water|propylene_glycol_methyl_ether|mem-(toluene|isobutyl|2-b|dia).*)"
    ),
)
def test_listed_evaporation_rates(row):
    low, high = accepted(row)
    assert low <= solvents.get(known(row["inputs"]["solvent"])).evaporation_rate <= high


def test_listed_evaporation_rate_of_ethyl_acetate():
    """Lists differ from 2.8 to 5.5; most of them say 3.9 to 4.2, which is the row's own advice."""
    assert "3.9-4.2" in ETHYL_ACETATE_RATE["tolerance"]
    assert 3.9 <= solvents.get("ethyl acetate").evaporation_rate <= 4.2


def test_flammable_limits_are_fractions_of_air():
    for solvent in solvents.SOLVENTS.values():
        if solvent.name == "water":
            assert solvent.lfl_pct is None
            assert solvent.ufl_pct is None
        else:
            assert 0.5 < solvent.lfl_pct < solvent.ufl_pct < 40.0, solvent.name


@given(st.sampled_from(LISTED), st.floats(-20.0, 59.0), st.floats(0.1, 1.0))
def test_vapour_pressure_rises_and_latent_heat_falls(name, at, step):
    assert solvents.vapour_pressure(name, at + step) > solvents.vapour_pressure(name, at)
    assert solvents.latent_heat(name, at + step) < solvents.latent_heat(name, at)


@pytest.mark.parametrize(
    "function", [solvents.vapour_pressure, solvents.latent_heat, solvents.diffusivity]
)
def test_arrays_equal_scalars(function):
    at = np.array([-10.0, 0.0, 21.5, 40.0])
    together = function("toluene", at)
    assert isinstance(function("toluene", 21.5), float)
    assert together.tolist() == [function("toluene", float(t)) for t in at]


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: solvents.get("thinner"), "thinner"),
        (lambda: solvents.vapour_pressure("toluene", 61.0), "temperature_c"),
        (lambda: solvents.vapour_pressure("toluene", float("nan")), "temperature_c"),
        (lambda: solvents.latent_heat("toluene", 200.0), "temperature_c"),
        (lambda: solvents.diffusivity("toluene", 20.0, 1.0), "pressure_pa"),
    ],
)
def test_errors_name_what_is_wrong(call, named):
    with pytest.raises(ValueError, match=named):
        call()
