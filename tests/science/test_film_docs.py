"""The page on the film says what its scripts print and draw."""

from __future__ import annotations

import importlib.util
import re
import sys
from pathlib import Path

import pytest

from service.science import air, film
from service.science.blend import METHODS

ROOT = Path(__file__).parents[2]
DOCS = ROOT / "dashboards" / "docs"
PAGE = (DOCS / "film.md").read_text(encoding="utf-8")


def script(name):
    spec = importlib.util.spec_from_file_location(name, ROOT / "deploy" / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module  # its dataclasses look themselves up there
    spec.loader.exec_module(module)
    return module


@pytest.mark.slow
def test_the_table_of_rules_is_what_the_script_prints():
    """To one in a hundred hours: another release of the weather may have corrected some."""
    rules = script("blush_rules")
    printed = rules.table().splitlines()
    block = r"<!-- blush_rules -->\n(.*?)\n<!-- /blush_rules -->"
    shown = re.search(block, PAGE, re.DOTALL)[1].splitlines()
    assert shown[:2] == printed[:2]
    numbers = re.compile(r"\d+\.\d|\d+")
    for ours, theirs in zip(shown[2:], printed[2:], strict=True):
        assert ours.split("|")[1] == theirs.split("|")[1]
        assert [float(n) for n in numbers.findall(ours)] == pytest.approx(
            [float(n) for n in numbers.findall(theirs)], abs=1.0
        )
    assert f"{rules.shop_air()[0].size:,} working hours" in PAGE


@pytest.mark.slow
def test_what_a_shop_does_not_know_moves_the_floor_as_stated():
    """MODEL_SD_K names 0.3 to 1.1 K."""
    rules = script("blush_rules")
    materials = rules.load_catalogue().materials.values()
    spreads = [rules.spread(m, draws=40) for m in materials if m.blend is not None]
    assert min(spreads) > 0.2
    assert max(spreads) < 1.3 < film.MODEL_SD_K
    assert METHODS["gun"].drop_um == 55.0  # put back after the draws


def test_the_figure_is_there_and_small():
    picture = DOCS / "film.png"
    assert picture.read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    assert picture.stat().st_size < 150_000
    assert "](film.png)" in PAGE


def test_the_caption_says_what_the_model_says():
    figure = script("film_figure")
    blend = figure.load_catalogue().materials[figure.MATERIAL].blend
    dry, damp = (
        film.simulate(blend, figure.AIR_C, rh, **figure.FILM)
        for rh in (figure.DRY_RH, figure.DAMP_RH)
    )
    margin = dry.summary.film_floor_c - air.dew_point(figure.AIR_C, figure.DRY_RH)
    assert f"stays {margin:.0f} K over the dew point" in PAGE
    below = damp.time_s[damp.film_c < air.dew_point(figure.AIR_C, figure.DAMP_RH)][0]
    assert f"after {10 * round(below / 10)} s" in PAGE
    assert f"{damp.summary.condensed_at_set_g_m2:.0f} g/m² of it is caught" in PAGE
