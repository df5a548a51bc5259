"""What two jars make of a sensor, and what is refused in plain words."""

from __future__ import annotations

import pytest

from service.shop.jars import Jar, JarError, is_apart, outcome

# Greenspan 1977, Table 2: % RH over the saturated solution at 20 and 25 °C.
NACL_20, NACL_25 = 75.47, 75.29
MGCL2_20, MGCL2_25 = 33.07, 32.78


def jar(salt: str, reading: float, *, air_c: float = 20.0, sd: float = 0.3) -> Jar:
    return Jar(salt, air_c, reading, sd, 0.1)


def test_a_sensor_that_is_off_by_a_line_comes_out_right() -> None:
    # The sensor reads 4 + 0.9 * truth: worked by hand from Greenspan's table.
    found = outcome(
        [
            jar("sodium chloride", 4.0 + 0.9 * NACL_20),
            jar("magnesium chloride", 4.0 + 0.9 * MGCL2_20),
        ]
    )
    # The polynomial gives the table to its last digit, 0.01 % RH, over a span of 38 %.
    assert found.slope == pytest.approx(1.0 / 0.9, abs=0.001)
    assert found.offset_pct == pytest.approx(-4.0 / 0.9, abs=0.03)
    # At least what a sensor adds by itself, at most twice that with good jars.
    assert 1.0 < found.sd_pct < 2.0


def test_each_jar_is_judged_at_its_own_temperature() -> None:
    found = outcome(
        [
            jar("magnesium chloride", MGCL2_25, air_c=25.0),
            jar("sodium chloride", NACL_20, air_c=20.0),
        ]
    )
    assert found.slope == pytest.approx(1.0, abs=0.001)
    assert found.offset_pct == pytest.approx(0.0, abs=0.03)


def test_the_order_of_the_jars_makes_no_difference() -> None:
    pair = [jar("sodium chloride", 78.0), jar("magnesium chloride", 35.0)]
    assert outcome(pair) == outcome(pair[::-1])


def test_a_reading_taken_before_it_settled_makes_the_result_more_uncertain() -> None:
    good = [jar("sodium chloride", 75.0), jar("magnesium chloride", 33.0)]
    hasty = [jar("sodium chloride", 75.0, sd=2.0), jar("magnesium chloride", 33.0)]
    # 2 % RH in a jar are at least that in what comes of it (JCGM 100, 5.1.2).
    assert outcome(hasty).sd_pct > 2.0 > outcome(good).sd_pct


@pytest.mark.parametrize(
    ("first", "second", "words", "blamed"),
    [
        (("sodium chloride", 34.0), ("magnesium chloride", 74.0), "look swapped", None),
        (("sodium chloride", 95.0), ("magnesium chloride", 33.0), "more than 15 % off", 0),
        (("sodium chloride", 75.0), ("magnesium chloride", 60.0), "more than 15 % off", 1),
    ],
)
def test_impossible_jars_are_refused_in_plain_words(
    first: tuple[str, float], second: tuple[str, float], words: str, blamed: int | None
) -> None:
    with pytest.raises(JarError, match=words) as refused:
        outcome([jar(*first), jar(*second)])
    assert refused.value.jar == blamed


@pytest.mark.parametrize(("air_c", "sd"), [(12.0, 0.3), (31.0, 0.3), (20.0, 9.0)])
def test_a_jar_outside_what_can_be_checked_is_named(air_c: float, sd: float) -> None:
    with pytest.raises(JarError) as refused:
        outcome(
            [
                jar("sodium chloride", 75.0, air_c=air_c, sd=sd),
                jar("magnesium chloride", 33.0),
            ]
        )
    assert refused.value.jar == 0
    assert "sodium chloride" in str(refused.value)


def test_two_salts_too_near_each_other_make_no_pair() -> None:
    # Greenspan at 20 °C: 75.47 and 85.11; 33.07 and 54.38.
    assert not is_apart("sodium chloride", "potassium chloride")
    assert is_apart("magnesium chloride", "magnesium nitrate")
