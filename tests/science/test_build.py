"""Film build against published spreading-rate examples, and caution in levelling."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from published import near, row, rows

from service.science import build

MIL_UM, GALLON_L, FT2_M2 = 25.4, 3.785411784, 0.09290304
FT2_PER_GALLON = GALLON_L / FT2_M2  # of a coverage in m²/l


@pytest.mark.parametrize(("metric", "imperial"), [(row("film-metric"), row("film-1604-exact"))])
def test_definitions(metric, imperial):
    assert build.coverage(1.0, 1.0) == near(metric)
    assert build.coverage(1.0, MIL_UM) * FT2_PER_GALLON == near(imperial)
    assert build.wet_film(1.0, 10.0) == pytest.approx(100.0)


@pytest.mark.parametrize("row", rows("film-1604|film-ex-65-5|film-ex-52-35"))
def test_coverage_as_published(row):
    given_ = row["inputs"]
    area = build.coverage(
        given_["vol_solids"], given_["dft_mil"] * MIL_UM, given_.get("transfer_eff", 1.0)
    )
    assert area * FT2_PER_GALLON == near(row)


@pytest.mark.parametrize("row", rows("film-tab-.*"))
def test_coverage_table(row):
    given_ = row["inputs"]
    area = build.coverage(given_["vol_solids_pct"] / 100.0, given_["dft_mil"] * MIL_UM)
    assert area * FT2_PER_GALLON == near(row)


@pytest.mark.parametrize("published", rows("film-ex-65-125"))
def test_metric_coverage_as_published(published):
    assert build.coverage(0.65, 125.0) == near(published)


@pytest.mark.parametrize("published", rows("film-ex-wft10"))
def test_coverage_of_a_wet_film(published):
    area = build.coverage(1.0, published["inputs"]["wft_mil"] * MIL_UM)
    assert area * FT2_PER_GALLON == near(published)


@pytest.mark.parametrize(("wet", "dry"), [(row("film-ex-thin-wft"), row("film-ex-thin-dft"))])
def test_wet_and_dry_film_with_thinner(wet, dry):
    to_wet = build.wet_film_for(2.8 * MIL_UM, 0.35, 0.1)
    assert to_wet / MIL_UM == near(wet)
    assert build.dry_film(8.0 * MIL_UM, 0.35, 0.1) / MIL_UM == near(dry)


@pytest.mark.parametrize("row", rows(r"fepa-p\d+"))
def test_grain_sizes_as_published(row):
    assert build.grain_size(row["inputs"]["grade"]) == near(row)


@pytest.mark.parametrize("published", rows("cami-220"))
def test_cami_220_is_p220(published):
    assert build.grain_size("P220") == near(published)


def test_finer_grades_are_finer():
    sizes = list(build.ABRASIVES_UM.values())
    assert sizes == sorted(sizes, reverse=True)
    assert build.scratch_depth("p320") < build.grain_size("P320")


# --- properties ----------------------------------------------------------------------------------


@given(st.floats(1.0, 500.0), st.floats(0.01, 1.0), st.floats(0.0, 3.0))
def test_dry_film_and_back(dry_um, solids, thinner):
    wet = build.wet_film_for(dry_um, solids, thinner)
    if wet <= 5000.0:
        assert build.dry_film(wet, solids, thinner) == pytest.approx(dry_um, rel=1e-12)
        assert wet >= dry_um


@given(st.floats(0.01, 0.99), st.floats(700.0, 1500.0), st.floats(700.0, 1500.0))
def test_volume_solids_conserve_mass(mass_solids, dry_density, liquid_density):
    volume = build.volume_solids(mass_solids, dry_density, liquid_density)
    dry, liquid = volume * dry_density, (1.0 - volume) * liquid_density
    assert dry / (dry + liquid) == pytest.approx(mass_solids, rel=1e-9)


@given(st.floats(0.001, 2.0), st.floats(0.05, 5.0), st.floats(0.1, 1.0), st.floats(0.05, 1.0))
def test_coats_by_volume_agree_with_coverage(volume_l, area_m2, transfer, solids):
    wet = build.wet_film(volume_l, area_m2, transfer)
    if wet * solids > 1.0 and wet < 5000.0:
        dry = build.dry_film(wet, solids)
        covered = build.coverage(solids, dry, transfer) * volume_l
        assert covered == pytest.approx(area_m2, rel=1e-9)


def test_many_coats_average_out_what_is_their_own_only():
    one = build.stack([100.0])
    ten = build.stack([10.0] * 10)
    assert one.dry_um == ten.dry_um == 100.0
    assert ten.sd_um < one.sd_um
    assert ten.sd_um > 0.15 * 100.0  # what they share stays
    assert build.stack([]) == build.Build(0.0, 0.0)


def test_stack_uncertainty_against_monte_carlo():
    rng = np.random.default_rng(6)
    coats = np.array([12.0, 9.0, 11.0, 10.0])
    shared = 1.0 + 0.15 * rng.standard_normal(200_000)
    own = coats * (1.0 + 0.25 * rng.standard_normal((200_000, 4)))
    total = shared * own.sum(axis=1)
    found = build.stack(coats.tolist())
    assert found.dry_um == pytest.approx(total.mean(), rel=0.01)
    assert found.sd_um == pytest.approx(total.std(), rel=0.02)  # product term and sampling


def test_sanding_between_coats_counts():
    sanded = build.stack([10.0] * 10, sanded_um=20.0)
    assert sanded.dry_um == 80.0
    assert sanded.sd_um > build.stack([10.0] * 10).sd_um


def test_thin_film_warns_before_a_sand_through():
    # Three thin coats, 30 µm in all, of which orange peel of 15 µm and P600 scratches go.
    thin = build.level(build.stack([10.0] * 3), texture_um=15.0, first_grade="P600", keep_um=20.0)
    assert thin.sand_through
    thick = build.level(
        build.stack([14.0] * 12), texture_um=15.0, first_grade="P1000", keep_um=20.0
    )
    assert not thick.sand_through
    assert thick.removed_um == pytest.approx(15.0 + 0.25 * 18.3)
    assert thick.least_um < thick.left_um


@given(
    st.floats(20.0, 300.0),
    st.floats(0.0, 40.0),
    st.sampled_from(list(build.ABRASIVES_UM)),
    st.floats(0.0, 30.0),
)
def test_levelling_errs_on_the_cautious_side(total_um, texture_um, grade, keep_um):
    film = build.stack([total_um / 8.0] * 8)
    found = build.level(film, texture_um=texture_um, first_grade=grade, keep_um=keep_um)
    assert 0.0 <= found.least_um <= found.left_um <= total_um
    # Never silent where the middle estimate itself is short of what is to be kept.
    if found.left_um < keep_um:
        assert found.sand_through
    # More texture, a thinner film or more to keep never make it silent.
    if found.sand_through:
        again = build.level(
            film, texture_um=texture_um + 5.0, first_grade=grade, keep_um=keep_um + 5.0
        )
        assert again.sand_through


def test_sand_through_warning_against_monte_carlo():
    # Where no warning is given, the chance of going below what is to be kept is under 3 % (two
    # standard deviations, one-sided).
    rng = np.random.default_rng(5)
    film = build.stack([12.0] * 10)
    quiet = 0
    for keep in range(0, 120, 10):
        found = build.level(film, texture_um=12.0, first_grade="P1200", keep_um=float(keep))
        if not found.sand_through:
            quiet += 1
            left = found.left_um + found.left_sd_um * rng.standard_normal(50_000)
            assert (left < keep).mean() < 0.03
    assert 0 < quiet < 12


def test_arrays_and_scalars_alike():
    x = np.array([10.0, 50.0, 120.0])
    for function in (
        lambda v: build.dry_film(v, 0.3, 0.5),
        lambda v: build.wet_film_for(v, 0.3),
        lambda v: build.coverage(0.3, v),
        lambda v: build.wet_film(0.1, v),
        lambda v: build.volume_solids(v / 1000.0, 1200.0, 870.0),
    ):
        for one, all_at_once in zip(x.tolist(), function(x), strict=True):
            assert type(function(one)) is float
            assert function(one) == pytest.approx(all_at_once, rel=1e-12)


FILM = build.Build(100.0, 10.0)


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: build.dry_film(-1.0, 0.3), "wet_um"),
        (lambda: build.dry_film(100.0, 30.0), "volume_solids"),
        (lambda: build.dry_film(100.0, 0.3, -0.5), "thinner"),
        (lambda: build.wet_film_for(float("nan"), 0.3), "dry_um"),
        (lambda: build.wet_film(1.0, 0.0), "area_m2"),
        (lambda: build.wet_film(1.0, 1.0, 1.2), "transfer"),
        (lambda: build.coverage(0.3, 0.0), "dry_um"),
        (lambda: build.volume_solids(0.3, 1.2, 870.0), "solids_density_kg_m3"),
        (lambda: build.grain_size("P42"), "grade"),
        (lambda: build.stack([10.0, -2.0]), "coats_um"),
        (lambda: build.stack([10.0], each=2.0), "each"),
        (lambda: build.level(FILM, texture_um=-1.0, first_grade="P800", keep_um=1.0), "texture_um"),
        (lambda: build.level(FILM, texture_um=1.0, first_grade="800", keep_um=1.0), "grade"),
        (lambda: build.level(FILM, texture_um=1.0, first_grade="P800", keep_um=-1.0), "keep_um"),
    ],
)
def test_errors_name_the_argument(call, named):
    with pytest.raises(ValueError, match=named):
        call()
