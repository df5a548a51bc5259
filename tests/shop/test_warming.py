"""A piece that came in cold: when its surface is warm, and that nothing sprays before."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.science.plate import WOODS
from service.science.slab import lumped_time
from service.shop.air import Air, SensorReading, current_air
from service.shop.materials import Coating, Material
from service.shop.spray_check import SprayCheck, check
from service.shop.warming import (
    STILL_AIR_W_M2K,
    Body,
    ColdWork,
    bodies_of,
    cold_work,
    damp_wood,
    warmed_by,
)
from service.shop.wood_watch import Plate
from service.store.catalogue import load_catalogue

NOW = datetime(2026, 1, 20, 14, tzinfo=UTC)
MATERIALS = load_catalogue().materials
LACQUER = MATERIALS["nitro-lacquer-gun"]
UKULELE = bodies_of("mahogany", 2.0)


def air_now(air_c: float = 21.0, rh_pct: float = 45.0, surface_c: float | None = None) -> Air:
    reading = SensorReading("wall", NOW, air_c, rh_pct, surface_c, None, 0.3, 2.0)
    air = current_air([reading], now=NOW, stale_after_s=600.0, pressure_pa=101325.0)
    assert air is not None
    return air


def came_in(
    minutes_ago: float, wood_c: float = 4.0, bodies: tuple[Body, ...] = UKULELE, air_c: float = 21.0
) -> ColdWork | None:
    since = NOW - timedelta(minutes=minutes_ago)
    time_s = np.array([since.timestamp(), NOW.timestamp()])
    return cold_work(
        bodies, since=since, wood_c=wood_c, now=NOW, time_s=time_s, air_c=np.full(2, air_c),
        air_now_c=air_c,
    )  # fmt: skip


def ask(air: Air, cold: ColdWork | None, material: Material = LACQUER) -> SprayCheck:
    coating = Coating(wet_um=material.usual_wet_um)
    return check(air, material, coating, stale_after_s=600.0, cold=cold)


def test_a_neck_warms_like_a_slab_of_half_its_thickness() -> None:
    # One-term series (Incropera and DeWitt, plane wall). Mahogany by the handbook's equations:
    # 22 mm with air on both faces, Bi = 5.88 * 0.011 / 0.128 = 0.505: z = 0.6555, C = 1.0709.
    neck = next(body for body in UKULELE if body.name == "neck")
    k, rho, c = (
        neck.wood.conductivity_w_mk,
        neck.wood.density_kg_m3,
        neck.wood.heat_capacity_j_kgk,
    )
    assert STILL_AIR_W_M2K * 0.011 / k == pytest.approx(0.507, abs=0.01)
    fourier = k / (rho * c) * 1800.0 / 0.011**2
    expected = 21.0 - 17.0 * 1.0709 * math.cos(0.6555) * math.exp(-(0.6555**2) * fourier)
    found = came_in(30.0)
    assert found is not None
    assert found.part == "neck"
    # Fourier number above 0.2, where the one term is good to 2 % of the step.
    assert fourier > 0.2
    assert found.surface_c == pytest.approx(expected, abs=0.2)


def test_a_thin_plate_alone_is_nearly_lumped() -> None:
    body = bodies_of("spruce", 2.5, ["top"])
    assert [b.name for b in body] == ["body"]
    found = came_in(5.0, bodies=body)
    assert found is not None
    tau = lumped_time(2.5, WOODS["spruce"], STILL_AIR_W_M2K)
    # Biot number 0.15: the face runs ahead of the mean by about Bi / 3 of the step at most.
    assert found.surface_c == pytest.approx(21.0 - 17.0 * math.exp(-300.0 / tau), abs=0.6)


def test_it_is_near_the_room_when_the_reckoning_says() -> None:
    found = came_in(10.0)
    assert found is not None
    assert found.near_at is not None
    later = (found.near_at - (NOW - timedelta(minutes=10))).total_seconds() / 60.0
    then = came_in(later)
    assert then is not None
    # Five-minute steps, joined by straight lines.
    assert then.surface_c == pytest.approx(20.0, abs=0.06)


def test_it_is_forgotten_once_it_is_as_the_air() -> None:
    assert came_in(11 * 60.0) is None
    assert came_in(13 * 60.0) is None
    assert came_in(-1.0) is None


def test_a_solid_body_takes_air_on_both_faces_and_dense_wood_counts() -> None:
    assert bodies_of("ash", 45.0)[0].depth_mm == 22.5
    assert bodies_of("spruce and maple", 3.0)[0].wood == WOODS["maple"]
    assert bodies_of("", 3.0)[0].wood == WOODS["maple"]
    assert {b.name for b in bodies_of("", 3.0, ["neck"])} == {"neck"}


@settings(max_examples=20, deadline=None)
@given(
    minutes=st.floats(0.0, 120.0),
    wood_c=st.floats(-10.0, 14.0),
    air_c=st.floats(17.0, 26.0),
    rh=st.floats(30.0, 60.0),
)
def test_never_spray_before_the_surface_clears_the_margin(
    minutes: float, wood_c: float, air_c: float, rh: float
) -> None:
    air = air_now(air_c, rh)
    cold = came_in(minutes, wood_c, air_c=air_c)
    result = ask(air, cold)
    assert air.dew_point_c is not None
    if cold is not None:
        clear = cold.surface_c - air.dew_point_c >= LACQUER.limits.dew_point_margin_k.value
        reason = next(r for r in result.reasons if r.what == "cold_work")
        assert result.answer != "spray" or clear
        assert clear or reason.blocks
        assert result.air is not None
        assert result.air.surface_c == air.surface_c
    if ask(air, None).answer == "wait":
        assert result.answer == "wait"


def test_cold_work_is_the_main_reason_and_the_way_out_holds_then() -> None:
    air = air_now()
    assert ask(air, None).answer == "spray"
    result = ask(air, came_in(10.0))
    assert result.answer == "wait"
    assert result.main_reason is not None
    assert result.main_reason.what == "cold_work"
    assert "reckoned at" in result.main_reason.text
    way = next(w for w in result.ways_out if w.kind == "wait" and w.until is not None)
    assert way.until == result.main_reason.until
    assert [w.kind for w in result.ways_out].count("warm_work") == 0
    assert way.until is not None
    later = (way.until - NOW).total_seconds() / 60.0 + 10.0
    again = check(
        air, LACQUER, Coating(LACQUER.usual_wet_um), stale_after_s=600.0, previous="wait",
        cold=came_in(later),
    )  # fmt: skip
    assert again.answer == "spray"
    before = ask(air, came_in(later - 6.0))
    assert before.answer == "wait"


def test_work_far_colder_than_the_film_is_reckoned_for_waits() -> None:
    result = ask(air_now(), came_in(0.0, -5.0))
    assert result.answer == "wait"
    assert [r.what for r in result.reasons if r.blocks] == ["cold_work"]
    assert "condenses" in result.reasons[0].text
    assert result.ways_out[0].until is not None


def test_a_probe_on_colder_work_is_believed() -> None:
    result = ask(air_now(surface_c=9.0), came_in(30.0))
    assert result.cold_surface_c is None
    assert all(reason.what != "cold_work" for reason in result.reasons)
    assert result.answer == "wait"


def test_minutes_of_warming_close_the_gap() -> None:
    assert warmed_by(5.0, 20.0, 0.0, UKULELE) == 5.0
    halves = [warmed_by(5.0, 20.0, m, UKULELE) for m in (5.0, 15.0, 40.0, 300.0)]
    assert halves == sorted(halves)
    assert halves[-1] == pytest.approx(20.0, abs=0.05)


def test_damp_wood_takes_days() -> None:
    # Wood Handbook (2010) Table 4-2 at 21.1 °C: 80 % RH 16.0 %, 50 % 9.2 %.
    plate = Plate("41", "mahogany", 2.5, outside="lacquer")
    told = damp_wood(plate, since=NOW, wood_c=21.1, wood_rh_pct=80.0, air_c=21.1, rh_pct=50.0)
    assert told.here_pct == pytest.approx(9.2, abs=0.1)
    assert told.moisture_pct == pytest.approx(16.0, abs=0.2)
    # First order: e-folds from 6.7 % apart to 0.5 %.
    folds = math.log((told.moisture_pct - told.here_pct) / 0.5)
    assert (told.near_at - NOW).total_seconds() == pytest.approx(plate.response_s * folds, abs=61)
    dry = damp_wood(plate, since=NOW, wood_c=21.1, wood_rh_pct=50.0, air_c=21.1, rh_pct=50.0)
    assert dry.near_at == NOW
