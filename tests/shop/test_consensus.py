"""One value out of several: against published examples of metrology."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.shop.consensus import consensus


def test_nine_laboratories_by_paule_and_mandel() -> None:
    """Kacker (2004), Metrologia 41, 132: nine laboratories, worked with metafor (method PM)."""
    values = [61.0, 61.4, 62.21, 62.3, 62.34, 62.6, 62.7, 62.84, 65.9]
    variances = [0.2025, 1.2100, 0.0900, 0.2025, 0.3844, 0.5625, 0.0676, 0.0225, 1.8225]
    found = consensus(values, [math.sqrt(v) for v in variances])
    assert found.mean == pytest.approx(62.4076199, abs=1e-6)
    assert found.sd == pytest.approx(0.3380306, abs=1e-6)
    assert found.between_sd**2 == pytest.approx(0.7053953, abs=1e-6)
    assert found.birge == pytest.approx(math.sqrt(24.801897741835 / 8))  # its Q, of 8 free


def test_thirteen_trials_by_paule_and_mandel() -> None:
    """The BCG vaccine trials of Colditz et al. (1994), log risk ratios; the published variance
    between trials by this method is 0.318 (metafor's documentation, from memory).
    """
    trials = [  # cases and others of the vaccinated, cases and others of the control group
        (4, 119, 11, 128), (6, 300, 29, 274), (3, 228, 11, 209), (62, 13536, 248, 12619),
        (33, 5036, 47, 5761), (180, 1361, 372, 1079), (8, 2537, 10, 619),
        (505, 87886, 499, 87892), (29, 7470, 45, 7232), (17, 1699, 65, 1600),
        (186, 50448, 141, 27197), (5, 2493, 3, 2338), (27, 16886, 29, 17825),
    ]  # fmt: skip
    values = [math.log(a / (a + b) / (c / (c + d))) for a, b, c, d in trials]
    sds = [math.sqrt(1 / a - 1 / (a + b) + 1 / c - 1 / (c + d)) for a, b, c, d in trials]
    assert consensus(values, sds).between_sd ** 2 == pytest.approx(0.318, abs=5e-4)


def test_the_scale_factor_of_the_particle_data_group() -> None:
    """Mass of the charged kaon [MeV], Review of Particle Physics: 493.677, ±0.013 with S = 2.4.

    The single results are from memory. By the Review's rule S leaves out what is less certain than
    3 sqrt(N) times the mean, here ±0.054.
    """
    values = [493.696, 493.636, 493.640, 493.670, 493.657, 493.691]
    sds = [0.007, 0.011, 0.054, 0.029, 0.020, 0.040]
    weights = [1.0 / sd**2 for sd in sds]
    mean = sum(w * v for w, v in zip(weights, values, strict=True)) / sum(weights)
    assert mean == pytest.approx(493.677, abs=0.0005)
    precise = [(v, sd) for v, sd in zip(values, sds, strict=True) if sd < 0.054]
    scale = consensus([v for v, _ in precise], [sd for _, sd in precise]).birge
    assert scale == pytest.approx(2.4, abs=0.05)
    assert scale / math.sqrt(sum(weights)) == pytest.approx(0.013, abs=0.0005)


def test_values_that_agree_have_the_plain_weighted_mean() -> None:
    found = consensus([20.0, 20.1], [0.1, 0.2])
    assert found.mean == pytest.approx((20.0 / 0.01 + 20.1 / 0.04) / (1 / 0.01 + 1 / 0.04))
    assert found.sd == pytest.approx((1 / 0.01 + 1 / 0.04) ** -0.5)  # GUM, 4.1 and 5.1
    assert found.between_sd == 0.0


def test_one_value_is_itself() -> None:
    for value, sd in ((20.0, 0.3), (0.1, 0.7), (49.9999999, 2.1)):  # rounding must not count
        found = consensus([value], [sd])
        assert (found.mean, found.sd, found.shared_sd) == pytest.approx((value, sd, sd))
        assert (found.between_sd, found.birge) == (0.0, 0.0)


@pytest.mark.parametrize(
    ("values", "sds"), [([], []), ([1.0], []), ([1.0, 2.0], [0.1, 0.0]), ([1.0], [-0.1])]
)
def test_bad_input_is_refused(values: list[float], sds: list[float]) -> None:
    with pytest.raises(ValueError, match="sds"):
        consensus(values, sds)


@given(st.lists(st.tuples(st.floats(-40.0, 110.0), st.floats(0.01, 10.0)), min_size=1, max_size=8))
def test_the_mean_lies_among_the_values_and_the_scatter_is_as_expected(
    rows: list[tuple[float, float]],
) -> None:
    values, sds = [v for v, _ in rows], [sd for _, sd in rows]
    found = consensus(values, sds)
    assert min(values) - 1e-9 <= found.mean <= max(values) + 1e-9
    assert min(sds) - 1e-9 <= found.shared_sd <= max(sds) + 1e-9
    squares = sum(
        (v - found.mean) ** 2 / (sd**2 + found.between_sd**2)
        for v, sd in zip(values, sds, strict=True)
    )
    if found.between_sd > 0.0:  # defining equation of Paule and Mandel
        assert squares == pytest.approx(len(values) - 1, rel=1e-6)
    else:
        assert squares <= len(values) - 1 + 1e-9
