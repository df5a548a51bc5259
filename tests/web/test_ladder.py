"""The air ladder: what is drawn is where the scale says, and is said in words too."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from datetime import UTC, datetime
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from service.shop.air import Air
from service.shop.materials import Coating
from service.shop.spray_check import SprayCheck
from service.web.ladder import LABEL_GAP, draw_ladder, ladder_text, rungs_of
from service.web.words import Words

WORDS = Words(ZoneInfo("UTC"))
SVG = "{http://www.w3.org/2000/svg}"

AIR = Air(
    as_of=datetime(2025, 3, 12, 9, 0, tzinfo=UTC), age_s=4.0, air_c=22.0, rh_pct=50.0,
    surface_c=20.5, surface_measured=True, pressure_pa=101325.0, air_sd_k=0.3, rh_sd_pct=2.0,
    sensors=("wall",), dew_point_c=11.1, dew_point_sd_k=0.7, wet_bulb_c=15.5,
    humidity_ratio_g_kg=8.2, absolute_humidity_g_m3=9.7,
)  # fmt: skip


def check(air: Air | None = AIR, floor: float | None = 14.0) -> SprayCheck:
    margin = None
    if air is not None and floor is not None and air.dew_point_c is not None:
        margin = floor - air.dew_point_c
    return SprayCheck(
        answer="spray", material_id="m", coating=Coating(80.0), reasons=(), ways_out=(), air=air,
        as_of=None if air is None else air.as_of, film_floor_c=floor, blush_margin_k=margin,
    )  # fmt: skip


def drawn(said: SprayCheck, words: Words = WORDS) -> ET.Element:
    text = str(draw_ladder(said, words)).replace("<svg ", f'<svg xmlns="{SVG[1:-1]}" ', 1)
    return ET.fromstring(text)  # noqa: S314 -- our own drawing


def rung_heights(svg: ET.Element) -> dict[str, float]:
    found = {}
    for line in svg.iter(f"{SVG}line"):
        if match := re.match(r"rung rung-(\w+)", line.get("class", "")):
            found[match[1]] = float(line.get("y1", ""))
    return found


def test_distances_between_rungs_are_the_temperatures_distances() -> None:
    y = rung_heights(drawn(check()))
    per_kelvin = (y["dew"] - y["air"]) / (22.0 - 11.1)
    assert per_kelvin > 0  # warmer is higher
    # Drawn to a tenth of a pixel.
    assert y["surface"] - y["air"] == pytest.approx(1.5 * per_kelvin, abs=0.2)
    assert y["dew"] - y["film"] == pytest.approx(2.9 * per_kelvin, abs=0.2)


def test_ticks_sit_at_round_figures_of_the_shown_unit() -> None:
    us = Words(ZoneInfo("UTC"), us=True)
    svg = drawn(check(), us)
    ticks = [t.text for t in svg.iter(f"{SVG}text") if t.get("class") == "tick-text"]
    assert "°F" in ticks
    assert {"50", "60", "70"} <= set(ticks)


def test_names_never_overlap_even_where_rungs_meet() -> None:
    close = check(replace(AIR, surface_c=21.9, dew_point_c=21.5), floor=21.7)
    tops = sorted(
        float(t.get("y", ""))
        for t in drawn(close).iter(f"{SVG}text")
        if t.get("class") == "rung-name"
    )
    assert len(tops) == 4
    assert all(b - a >= LABEL_GAP - 0.2 for a, b in pairwise(tops))
    assert tops[0] >= 0
    assert tops[-1] + LABEL_GAP <= 345  # within the drawing's height of 340 and its own line


def test_words_say_the_same_and_on_which_side() -> None:
    said = ladder_text(check(floor=9.0), WORDS)
    assert "wet film, coldest 9.0 °C (2.1 K below dew point)" in said
    assert "surface 20.5 °C (9.4 K above dew point)" in said
    order = [rung.kind for rung in rungs_of(check(), WORDS)]
    assert order == ["air", "surface", "film", "dew"]


def test_without_air_or_dew_point_or_film_only_what_is_known_is_drawn() -> None:
    assert draw_ladder(check(None, None), WORDS) == ""
    assert ladder_text(check(None, None), WORDS) == "No air is known here."
    assert set(rung_heights(drawn(check(replace(AIR, dew_point_c=None))))) == {
        "air", "surface", "film",
    }  # fmt: skip
    assert set(rung_heights(drawn(check(floor=None)))) == {"air", "surface", "dew"}
    unmeasured = check(replace(AIR, surface_measured=False))
    assert set(rung_heights(drawn(unmeasured))) == {"air", "film", "dew"}


def test_nothing_in_the_drawing_needs_inline_style() -> None:
    # The content security policy refuses it.
    assert "style=" not in str(draw_ladder(check(), WORDS))
