"""The spray check: fail-safe answers, honest reasons, ways out that really lead out."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.science import air as moist
from service.shop.air import Air, SensorReading, current_air
from service.shop.materials import Coating, Material
from service.shop.projection import ReadyTime
from service.shop.spray_check import SprayCheck, check
from service.store.catalogue import load_catalogue

NOW = datetime(2026, 4, 6, 9, tzinfo=UTC)
MATERIALS = load_catalogue().materials
LACQUER = MATERIALS["nitro-lacquer-can"]
SPRAYED = [m for m in MATERIALS.values() if m.blend is not None]
STALE_S = 600.0


def reading(
    air_c: float,
    rh_pct: float,
    *,
    sensor: str = "wall",
    age_s: float = 10.0,
    surface_c: float | None = None,
) -> SensorReading:
    return SensorReading(
        sensor, NOW - timedelta(seconds=age_s), air_c, rh_pct, surface_c, None, 0.3, 2.0
    )


def air_of(*readings: SensorReading) -> Air | None:
    return current_air(readings, now=NOW, stale_after_s=STALE_S, pressure_pa=101325.0)


def ask(
    air: Air | None,
    material: Material = LACQUER,
    **more: object,
) -> SprayCheck:
    coating = Coating(wet_um=material.usual_wet_um)
    return check(air, material, coating, stale_after_s=STALE_S, **more)  # type: ignore[arg-type]


def blocking(result: SprayCheck) -> set[str]:
    return {reason.what for reason in result.reasons if reason.blocks}


def test_dry_air_says_spray() -> None:
    result = ask(air_of(reading(23.0, 40.0)))
    assert result.answer == "spray"
    assert not blocking(result)
    assert result.ways_out == ()


def test_damp_air_says_wait_and_shows_the_film_below_the_dew_point() -> None:
    result = ask(air_of(reading(24.0, 85.0)))
    assert result.answer == "wait"
    assert result.air is not None
    # Dew point of 24 °C and 85 % RH: 21.3 °C (ASHRAE equations, as in the tests of the air).
    assert result.air.dew_point_c == pytest.approx(21.3, abs=0.1)
    assert result.film_floor_c is not None
    assert result.film_floor_c < result.air.dew_point_c
    assert result.blush_margin_k is not None
    assert result.blush_margin_k < 0
    assert {"blush_margin", "humidity", "dew_point_margin"} <= blocking(result)
    assert result.reasons[0].blocks


def test_every_reason_names_value_limit_unit_and_source() -> None:
    for reason in ask(air_of(reading(24.0, 85.0))).reasons:
        assert reason.value is not None
        assert reason.limit is not None
        assert reason.unit
        assert reason.source
        assert reason.text


def test_no_reading_ever_is_unknown() -> None:
    result = ask(None)
    assert result.answer == "unknown"
    assert blocking(result) == {"reading_age"}


@pytest.mark.parametrize("age_s", [601.0, 3600.0, 86400.0 * 30])
def test_a_stale_reading_is_unknown_however_dry(age_s: float) -> None:
    result = ask(air_of(reading(23.0, 30.0, age_s=age_s)))
    assert result.answer == "unknown"
    assert blocking(result) == {"reading_age"}
    assert result.ways_out


def test_sensors_that_contradict_each_other_are_unknown() -> None:
    result = ask(air_of(reading(23.0, 30.0), reading(23.0, 60.0, sensor="bench")))
    assert result.answer == "unknown"
    assert blocking(result) == {"sensor_trust"}


def test_a_stale_sensor_does_not_drown_a_fresh_one() -> None:
    result = ask(air_of(reading(23.0, 40.0), reading(5.0, 95.0, sensor="bench", age_s=5000)))
    assert result.answer == "spray"


@pytest.mark.parametrize("air_c", [-20.0, 2.0, 45.0, 59.0])
def test_air_outside_the_film_model_is_never_spray(air_c: float) -> None:
    assert ask(air_of(reading(air_c, 20.0))).answer != "spray"


def test_saturated_air_waits() -> None:
    assert ask(air_of(reading(22.0, 100.0))).answer == "wait"


@pytest.mark.parametrize("rh_pct", [0.0, 0.9])
def test_a_sensor_that_reads_no_humidity_at_all_is_not_believed(rh_pct: float) -> None:
    result = ask(air_of(reading(22.0, rh_pct)))
    assert result.answer == "unknown"
    assert blocking(result) == {"sensor_trust"}


def test_cold_work_in_warm_air_waits_until_it_has_warmed() -> None:
    result = ask(air_of(reading(22.0, 50.0, surface_c=10.0)))
    assert result.answer == "wait"
    assert "dew_point_margin" in blocking(result)
    assert any(way.kind == "warm_work" for way in result.ways_out) or result.ways_out


def test_an_unreached_recoat_mark_blocks_even_in_perfect_air() -> None:
    ready_at = NOW + timedelta(minutes=20)
    recoat = ReadyTime(
        "recoat", 0.66, 0.66, 1.0, ready_at, ready_at, ready_at,
        reached=False, surely=False, gap_h=0.0, trailing_gap_h=0.0, basis="common practice",
    )  # fmt: skip
    air = air_of(reading(23.0, 40.0))
    waiting = ask(air, recoat=recoat)
    assert waiting.answer == "wait"
    assert blocking(waiting) == {"recoat_mark"}
    assert waiting.ways_out[0].until == ready_at
    assert ask(air, recoat=replace(recoat, reached=True, clock=1.0)).answer == "spray"


def test_after_a_wait_the_limits_must_be_cleared_by_a_little_more() -> None:
    edge, damp = 30.0, 70.0
    while damp - edge > 0.05:
        middle = (edge + damp) / 2
        if ask(air_of(reading(23.0, middle))).answer == "spray":
            edge = middle
        else:
            damp = middle
    air = air_of(reading(23.0, edge))
    assert ask(air).answer == "spray"
    assert ask(air, previous="wait").answer == "wait"
    assert ask(air_of(reading(23.0, edge - 4.0)), previous="wait").answer == "spray"


def test_warming_as_told_leads_to_spray() -> None:
    damp = air_of(reading(18.0, 62.0))
    assert damp is not None
    result = ask(damp)
    assert result.answer == "wait"
    warm = next(way for way in result.ways_out if way.kind == "warm")
    assert warm.amount is not None

    def after(by_k: float) -> str:
        warmer = damp.air_c + by_k
        ratio = damp.humidity_ratio_g_kg / 1000.0
        rh = float(moist.relative_humidity(warmer, ratio, damp.pressure_pa))
        return ask(air_of(reading(warmer, rh)), previous="wait").answer

    assert after(warm.amount) == "spray"
    assert after(warm.amount - 0.6) == "wait"


def test_drying_as_told_leads_to_spray() -> None:
    damp = air_of(reading(23.0, 70.0))
    assert damp is not None
    dry = next(way for way in ask(damp).ways_out if way.kind == "dry")
    assert dry.amount is not None
    left = damp.humidity_ratio_g_kg - dry.amount
    rh = float(moist.relative_humidity(damp.air_c, left / 1000.0, damp.pressure_pa))
    assert ask(air_of(reading(damp.air_c, rh)), previous="wait").answer == "spray"


@settings(max_examples=40, deadline=None)
@given(
    air_c=st.floats(-40, 60),
    rh_pct=st.floats(0, 100),
    material=st.sampled_from(SPRAYED),
    surface=st.one_of(st.none(), st.floats(-20, 50)),
)
def test_every_air_gets_an_answer_with_reasons(
    air_c: float, rh_pct: float, material: Material, surface: float | None
) -> None:
    result = ask(air_of(reading(air_c, rh_pct, surface_c=surface)), material)
    assert result.reasons
    if result.answer == "spray":
        assert not blocking(result)
        assert result.air is not None
        margin = result.air.dew_point_margin_k
        assert margin is None or margin >= 3.0  # ISO 8502-4
    else:
        assert blocking(result)
        assert result.ways_out


@settings(max_examples=25, deadline=None)
@given(air_c=st.floats(16, 30), rh_pct=st.floats(5, 90), more=st.floats(0.5, 30))
def test_more_water_in_the_air_never_turns_wait_into_spray(
    air_c: float, rh_pct: float, more: float
) -> None:
    drier = ask(air_of(reading(air_c, rh_pct)))
    damper = ask(air_of(reading(air_c, min(100.0, rh_pct + more))))
    assert not (drier.answer == "wait" and damper.answer == "spray")


@pytest.mark.parametrize(
    ("coating", "pressure_pa", "answer"),
    [
        (Coating(wet_um=10.0), 101325.0, "spray"),  # gets less cold than the thinnest reckoned
        (Coating(wet_um=60.0, plate_mm=60.0), 101325.0, "spray"),
        (Coating(wet_um=400.0), 101325.0, "unknown"),
        (Coating(wet_um=60.0), 55000.0, "unknown"),
    ],
)
def test_coats_at_and_beyond_the_ends_of_the_film_model(
    coating: Coating, pressure_pa: float, answer: str
) -> None:
    air = current_air(
        [reading(23.0, 40.0)], now=NOW, stale_after_s=STALE_S, pressure_pa=pressure_pa
    )
    result = check(air, LACQUER, coating, stale_after_s=STALE_S)
    assert result.answer == answer
    if answer == "unknown":
        assert blocking(result) == {"film_model_range"}
