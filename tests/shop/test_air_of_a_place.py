"""The air of a place out of its sensors: fresh sound ones count, contradictions are said."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.shop.air import Air, LeftOut, SensorReading, current_air
from service.shop.quality import Flag, words_of

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


def flagged(flag: Flag, air_c: float, rh_pct: float, sensor: str, **more: float) -> SensorReading:
    return replace(reading(air_c, rh_pct, sensor, **more), flags=flag)


@pytest.mark.parametrize("flag", list(Flag))
def test_a_flagged_sensor_never_carries_the_air_alone(flag: Flag) -> None:
    found = air(flagged(flag, 20.0, 50.0, "wall"))
    assert found.trouble == f"sensor wall {words_of(flag)}"
    assert (found.air_c, found.sensors, found.left_out) == (20.0, ("wall",), ())


def test_where_all_are_flagged_each_is_named_with_its_fault() -> None:
    found = air(
        flagged(Flag.STUCK | Flag.BATTERY, 20.0, 50.0, "wall"),
        flagged(Flag.CLOCK, 20.0, 50.0, "bench"),
    )
    assert found.trouble == (
        "sensor bench has a wrong clock; sensor wall has not moved for long and has a low battery"
    )


def test_a_sound_sensor_carries_the_air_and_the_flagged_one_is_told() -> None:
    found = air(flagged(Flag.STUCK, 20.0, 50.0, "wall"), reading(20.4, 51.0, "bench"))
    assert (found.air_c, found.rh_pct, found.trouble) == (20.4, 51.0, None)
    assert found.sensors == ("bench",)
    assert found.left_out == (LeftOut("wall", "has not moved for long"),)


def test_a_stale_sound_sensor_does_not_stand_in_for_a_flagged_one() -> None:
    found = air(flagged(Flag.SPIKE, 30.0, 50.0, "wall"), reading(20.0, 50.0, "bench", age_s=7200.0))
    assert found.trouble == "sensor wall leapt and came back"


@pytest.mark.parametrize(
    ("air_c", "rh_pct", "why"),
    [
        (26.0, 50.0, "says 6.0 K more than the others"),
        (20.0, 25.0, "says 25 % RH less than the others"),
        (-40.0, 99.0, "says 60.0 K less than the others"),
        (20.0, 0.0, "says 50 % RH less than the others"),
    ],
)
def test_of_three_the_one_that_goes_mad_is_outvoted(air_c: float, rh_pct: float, why: str) -> None:
    sound = reading(20.2, 50.0), reading(19.8, 50.0, "bench")
    found = air(reading(air_c, rh_pct, "mad"), *sound)
    assert found.trouble is None
    assert found.left_out == (LeftOut("mad", why),)
    assert replace(found, left_out=()) == air(*sound)


def test_a_surer_sensor_gone_mad_is_outvoted_all_the_same() -> None:
    found = air(
        reading(26.0, 50.0, "mad", air_sd_k=0.05), reading(20.0, 50.0), reading(20.0, 50.0, "bench")
    )
    assert found.sensors == ("bench", "wall")


def test_two_against_two_is_a_contradiction_and_no_vote() -> None:
    found = air(
        *(reading(20.0, 50.0, name) for name in ("a", "b")),
        *(reading(25.0, 50.0, name) for name in ("c", "d")),
    )
    assert found.trouble == "sensors a and c differ by 5.0 K"
    assert found.left_out == ()


def test_three_that_all_contradict_are_a_contradiction() -> None:
    found = air(reading(20.0, 50.0), reading(24.0, 50.0, "bench"), reading(28.0, 50.0, "door"))
    assert found.trouble is not None
    assert len(found.sensors) == 3


def test_a_flagged_sensor_has_no_vote() -> None:
    found = air(
        reading(20.0, 50.0),
        reading(25.0, 50.0, "bench"),
        flagged(Flag.STUCK, 25.0, 50.0, "door"),
    )
    assert found.trouble == "sensors bench and wall differ by 5.0 K"


def test_the_surface_of_a_sensor_left_out_may_only_make_it_colder() -> None:
    cold = air(reading(20.0, 50.0), flagged(Flag.STUCK, 20.0, 50.0, "bench", surface_c=12.0))
    assert (cold.surface_c, cold.surface_measured) == (12.0, True)
    warm = air(reading(20.0, 50.0), flagged(Flag.STUCK, 20.0, 50.0, "bench", surface_c=30.0))
    assert (warm.surface_c, warm.surface_measured) == (20.0, False)


def test_one_sensor_has_its_own_uncertainty() -> None:
    found = air(reading(20.0, 50.0))
    assert (found.air_sd_k, found.rh_sd_pct) == pytest.approx((0.3, 2.0))


def test_more_sensors_are_surer_but_not_of_what_their_errors_share() -> None:
    many = air(*(reading(20.0, 50.0, f"s{i}") for i in range(100)))
    two = air(reading(20.0, 50.0), reading(20.0, 50.0, "bench"))
    assert many.air_sd_k < two.air_sd_k < 0.3
    # GUM F.1.2.3: with half of the variance common to all, it falls to that half and no further.
    assert two.air_sd_k == pytest.approx(0.3 * math.sqrt(0.5 / 2 + 0.5))
    assert many.air_sd_k == pytest.approx(0.3 * math.sqrt(0.5), rel=0.01)


def test_sensors_that_are_apart_make_the_air_less_certain() -> None:
    close = air(reading(20.0, 50.0), reading(20.1, 50.5, "bench"))
    apart = air(reading(20.0, 50.0), reading(21.4, 59.0, "bench"))
    assert apart.trouble is None
    assert apart.air_sd_k > 2.0 * close.air_sd_k
    assert apart.air_sd_k == pytest.approx(1.0, abs=0.15)  # sd of two spots 1.4 K apart: 0.99 K
    assert apart.dew_point_sd_k > close.dew_point_sd_k


READINGS = st.lists(
    st.tuples(
        st.floats(-40.0, 60.0), st.floats(0.0, 100.0), st.floats(0.05, 2.0), st.floats(0.5, 5.0),
        st.booleans(), st.booleans(),
    ),
    min_size=1,
    max_size=6,
)  # fmt: skip


@given(READINGS, st.randoms(use_true_random=False))
def test_whatever_sensors_say_the_air_rests_on_sound_ones_or_is_in_trouble(
    rows: list[tuple[float, float, float, float, bool, bool]], random: object
) -> None:
    readings = [
        flagged(
            Flag.STUCK if bad else Flag(0),
            air_c,
            rh_pct,
            f"s{i}",
            age_s=9000.0 if old else 10.0,
            air_sd_k=air_sd,
            rh_sd_pct=rh_sd,
        )
        for i, (air_c, rh_pct, air_sd, rh_sd, bad, old) in enumerate(rows)
    ]
    found = air(*readings)
    sound = {r.sensor for r in readings if not r.flags and r.at > NOW - timedelta(seconds=600)}
    assert found.trouble is not None or set(found.sensors) <= sound
    assert not {out.sensor for out in found.left_out} & set(found.sensors)
    used = [r for r in readings if r.sensor in found.sensors]
    assert min(r.air_c for r in used) - 1e-9 <= found.air_c <= max(r.air_c for r in used) + 1e-9
    # Half of the variance is shared and never averages out.
    assert found.air_sd_k >= math.sqrt(0.5) * min(r.air_sd_k for r in used) - 1e-9
    if found.trouble is None and len(sound) >= 3:
        assert 2 * len(used) > len(sound)
    shuffled = list(readings)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    assert air(*shuffled) == found
