"""Every published row of these topics is either checked or excused by name, with the reason."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import published
import pytest
import test_air
import test_build
import test_drying
import test_salts
import test_uncertainty
import test_vapour
import test_wood

TOPICS = (
    "1 psychrometrics",
    "2 condensation rule",
    "3 wood",
    "4 salts",
    "4 salt fixed points",
    "6 ventilation and fire",
    "7 film build",
    "8 kinetics",
    "9 abrasives",
)

MODULES = (test_air, test_build, test_drying, test_salts, test_uncertainty, test_vapour, test_wood)

_MAGNUS = "constants of another saturation formula; ours is ASHRAE's"
_STULL = "another wet-bulb formula, a fit; ours is the thermodynamic wet bulb"
_PSYCHROMETER = "an instrument's coefficient; ours is the thermodynamic wet bulb"
_EXPOSURE = "exposure limits are not computed with: nothing here says what may be breathed"
_BAND = "a band for real boards or instruments, not a figure to compute"

EXCUSED = {
    "iapws-ref-300": "verification point of IAPWS-IF97 itself (1e-7), which ours is not",
    "magnus-sonntag-a_water": _MAGNUS,
    "magnus-sonntag-b_water_C": _MAGNUS,
    "magnus-sonntag-a_ice": _MAGNUS,
    "magnus-sonntag-b_ice_C": _MAGNUS,
    "magnus-e0": _MAGNUS,
    "sonntag-full-0": _MAGNUS,
    "stull-20-50": _STULL,
    "stull-30-50": _STULL,
    "stull-err": _STULL,
    "metpy-8": _PSYCHROMETER,
    "metpy-9": _PSYCHROMETER,
    "wmo-A": _PSYCHROMETER,
    "emc-eq-coef-K": "a coefficient, not a result: too small to see but in emc-eq-20-50, checked",
    "k-parallel": _BAND,
    "k-temp": _BAND,
    "idlh-butac": _EXPOSURE,
    "idlh-etac": _EXPOSURE,
    "oel-toluene-OSHA-300": _EXPOSURE,
    "oel-toluene-OSHA-500": _EXPOSURE,
    "oel-toluene-ACGIH-50": _EXPOSURE,
    "oel-toluene-Cal_OSHA-10": _EXPOSURE,
    "oel-n-butyl_acetate-pel": _EXPOSURE,
    "oel-n-butyl_acetate-stel": _EXPOSURE,
    "oel-2-butoxyethanol-pel": _EXPOSURE,
    "oel-2-butoxyethanol-rel": _EXPOSURE,
    "oel-ethyl_acetate-pel": _EXPOSURE,
    "oel-acetone-rel": _EXPOSURE,
    "oel-acetone-ontario": _EXPOSURE,
    "oel-mek-pel": _EXPOSURE,
    "booth-50-large": "face velocity of a booth: a code's table for its design, not computed here",
    "vent-usaf-vol": "length by width by height",
    "lm-Ea-100": "an activation energy as an input, used by lm-100-...",
    "lm-Ea-70": "an activation energy as an input, used by lm-70-...",
    "pi-20-50": "index of paper's life; its temperature factor is the one checked by lm-... rows",
    "dry-retain-967": "residual solvent of another polymer: no law here claims it",
    "dry-retain-559": "residual solvent of another polymer: no law here claims it",
}


def test_no_row_is_left_out():
    mine = {i for i, row in published.ROWS.items() if row["topic"] in TOPICS}
    assert len(mine) > 300
    assert sorted(mine - published.CLAIMED - set(EXCUSED)) == []


def test_excuses_are_for_rows_that_exist_and_are_not_checked():
    assert sorted(set(EXCUSED) - set(published.ROWS)) == []
    assert sorted(set(EXCUSED) & published.CLAIMED) == []


@pytest.mark.parametrize(
    ("tolerance", "value", "inside", "outside"),
    [
        ("rel 3e-4", 100.0, 100.029, 100.031),
        ("±0.05 (±0.1 for a Magnus form)", 10.0, 10.049, 10.051),
        ("±1 % (a remark)", 200.0, 201.9, 202.1),
        ("2 % on the volume; more", 200.0, 203.9, 204.1),
        ("±2 %RH as a truth value", 50.0, 51.9, 52.1),
        ("exact", 3.0, 3.0, 3.001),
        ("1e-6", 1.0, 1.0000009, 1.0000011),
    ],
)
def test_stated_tolerances_are_read_as_they_are_meant(tolerance, value, inside, outside):
    row = {"id": "x", "expected": value, "tolerance": tolerance}
    assert inside == published.near(row)
    assert outside != published.near(row)


def test_importing_the_science_is_light():
    """No SciPy, no pandas, and well below a second of processor time in a fresh interpreter."""
    root = Path(__file__).parents[2]
    names = ["air", "build", "drying", "salts", "uncertainty", "vapour", "wood", "wood_heat"]
    script = (
        "import sys, time; start = time.process_time()\n"
        + "".join(f"import service.science.{name}\n" for name in names)
        + "print(time.process_time() - start)\n"
        "print([m for m in ('scipy', 'pandas') if m in sys.modules])\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], cwd=root, capture_output=True, text=True, check=True
    )
    seconds, heavy = done.stdout.splitlines()
    assert heavy == "[]"
    assert float(seconds) < 1.0
