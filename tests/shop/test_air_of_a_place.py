"""The air of a place out of its sensors: fresh ones count, contradictions are said."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from service.shop.air import Air, SensorReading, current_air

NOW = datetime(2026, 4, 6, 9, tzinfo=UTC)


def reading(
    air_c: float, rh_pct: float, sensor: str = "wall", age_s: float = 10.0, **more: float | None
) -> SensorReading:
    given = {"surface_c": None, "pressure_pa": None, "air_sd_k": 0.3, "rh_sd_pct": 2.0} | more
    return SensorReading(sensor, NOW - timedelta(seconds=age_s), air_c, rh_pct, **given)  # type: ignore[arg-type]


def air(*readings: SensorReading, pressure_pa: float = 101325.0) -> Air:
    found = current_air(readings, now=NOW, stale_after_s=600.0, pressure_pa=pressure_pa)
    assert found is not None
    return found


def test_a_place_without_readings_has_no_air() -> None:
    assert current_air([], now=NOW, stale_after_s=600.0, pressure_pa=101325.0) is None


def test_derived_quantities_are_those_of_the_handbook() -> None:
    found = air(reading(25.0, 60.0))
    # 25 °C, 60 % RH, 101325 Pa: dew point 16.7 °C and 13.8 g/m³ (ASHRAE 2017 equations).
    assert found.dew_point_c == pytest.approx(16.7, abs=0.05)
    assert found.absolute_humidity_g_m3 == pytest.approx(13.819, rel=0.005)
    assert found.dew_point_margin_k == pytest.approx(25.0 - 16.7, abs=0.05)


def test_bone_dry_air_has_no_dew_point_and_is_not_believed() -> None:
    found = air(reading(22.0, 0.0))
    assert found.dew_point_c is None
    assert found.dew_point_margin_k is None
    assert found.trouble is not None
    assert found.dew_point_sd_k > 1.0


def test_the_better_sensor_weighs_more() -> None:
    found = air(reading(20.0, 50.0, air_sd_k=0.1), reading(20.4, 50.0, "bench", air_sd_k=0.4))
    assert found.air_c == pytest.approx((20.0 * 16 + 20.4) / 17)


def test_the_coldest_surface_counts() -> None:
    found = air(reading(20.0, 50.0, surface_c=18.0), reading(20.0, 50.0, "bench", surface_c=15.0))
    assert (found.surface_c, found.surface_measured) == (15.0, True)


def test_a_barometer_overrules_the_altitude() -> None:
    assert air(reading(20.0, 50.0, pressure_pa=95000.0)).pressure_pa == 95000.0
    assert air(reading(20.0, 50.0), pressure_pa=90000.0).pressure_pa == 90000.0


def test_a_stale_place_shows_its_last_air_with_its_age_and_the_trouble() -> None:
    found = air(reading(20.0, 50.0, age_s=7200.0))
    assert found.age_s == 7200.0
    assert found.trouble is not None
    assert "2 h" in found.trouble


@pytest.mark.parametrize(("air_c", "rh_pct"), [(24.0, 50.0), (20.0, 75.0)])
def test_sensors_that_differ_beyond_their_errors_are_named(air_c: float, rh_pct: float) -> None:
    found = air(reading(20.0, 50.0), reading(air_c, rh_pct, "bench"))
    assert found.trouble is not None
    assert "wall" in found.trouble
    assert "bench" in found.trouble
