"""A shop's time scale from verdicts: against other reckonings of the same, and simulated shops."""

from __future__ import annotations

import math
import sys
from dataclasses import replace
from itertools import pairwise, permutations
from pathlib import Path

import numpy as np
import pytest
from scipy import integrate, stats
from scipy.special import roots_hermitenorm

from service.shop.learning import (
    MarkPrior,
    Observation,
    Posterior,
    Prior,
    given_not_yet,
    mark_for,
    mark_scales,
    mark_sd,
    steps,
    too_many_holes,
    update,
    words_for,
)
from service.shop.materials import Material
from service.store.catalogue import load_catalogue

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "deploy"))
import learning_table as simulated  # noqa: E402 -- lies beside the service, not in it

ONE_MARK = Prior((MarkPrior("sand", 24.0, 0.0),), scale_sd=0.2, piece_sd=0.1)


@pytest.fixture(scope="module")
def lacquer() -> Material:
    return load_catalogue().materials["nitro-lacquer-gun"]


def not_yet(hours: float, coat: int = 1, mark: str = "sand") -> Observation:
    return Observation(coat, mark, hours, ready=False, piece=coat)


def already(hours: float, coat: int = 1, mark: str = "sand") -> Observation:
    return Observation(coat, mark, hours, ready=True, piece=coat)


# -- against reckonings that are not ours ---------------------------------------------------


def test_one_tap_at_the_reference_time_makes_a_skew_normal() -> None:
    # A normal prior times a probit likelihood through its middle is the skew normal density with
    # shape prior sd over likelihood sd (Azzalini 1985), which SciPy carries. Slips apart.
    prior = replace(ONE_MARK, lapse=1e-9)
    theirs = stats.skewnorm(prior.scale_sd / prior.piece_sd, scale=prior.scale_sd)
    found = update(prior, [not_yet(24.0)])
    # 2e-4: quantiles are drawn straight between points of a grid of half a per cent.
    assert np.log([found.low, found.middle, found.high]) == pytest.approx(
        theirs.ppf([0.1, 0.5, 0.9]), abs=2e-4
    )
    assert found.sd_log == pytest.approx(theirs.std(), rel=1e-6)
    mirrored = update(prior, [already(24.0)])
    assert mirrored.middle == pytest.approx(1.0 / found.middle, rel=1e-9)


def test_a_probit_fit_of_published_counts_is_found_again() -> None:
    # Bliss (1935): beetles after five hours of carbon disulphide, by log10 of its concentration.
    # The maximum-likelihood probit line of these counts, as textbooks on generalised linear models
    # print it, is -34.935 + 19.728 log10 dose: half of them die at log10 dose 1.7708.
    log_dose = (1.6907, 1.7242, 1.7552, 1.7842, 1.8113, 1.8369, 1.8610, 1.8839)
    beetles = (59, 60, 62, 56, 63, 59, 62, 60)
    killed = (6, 13, 18, 28, 52, 53, 61, 60)
    seen = []
    for dose, n, dead in zip(log_dose, beetles, killed, strict=True):
        seen += [Observation(len(seen) + i, "sand", 10**dose, ready=i < dead) for i in range(n)]
    prior = Prior(
        (MarkPrior("sand", 10**1.78, 0.0),),
        scale_sd=0.3,  # wide against what 481 beetles leave open
        piece_sd=math.log(10) / 19.728,
        lapse=1e-9,
    )
    found = update(prior, seen)
    # 0.0005 in log10: median of a posterior against a maximum; its own sd is 0.003.
    assert 1.78 + math.log10(found.middle) == pytest.approx(34.935 / 19.728, abs=0.0005)


def test_two_marks_and_repeated_taps_agree_with_quadrature() -> None:
    prior = Prior(
        (MarkPrior("handle", 0.5, 0.2), MarkPrior("sand", 24.0, 0.0)),
        scale_sd=0.15,
        piece_sd=0.1,
        lapse=0.04,
    )
    seen = [
        not_yet(0.52, 1, "handle"),
        already(0.7, 1, "handle"),
        already(0.55, 2, "handle"),
        not_yet(26.0, 3),
        already(27.0, 4),
        not_yet(29.0, 4),  # contradicts the one before
        not_yet(28.0, 5),
    ]
    nodes, weights = roots_hermitenorm(60)
    weights = weights / weights.sum()

    def coat(scale: np.ndarray, cuts: dict[float, tuple[float, float]]) -> np.ndarray:
        # Mean over the coat's own time of a function that is constant between two cuts.
        edges = [-math.inf, *sorted(cuts), math.inf]
        total = np.zeros_like(scale)
        for low, high in pairwise(edges):
            inside = max(low, -50.0) + 1e-9 if math.isinf(high) else min(high, 50.0) - 1e-9
            value = math.prod(
                below if inside < cut else above for cut, (below, above) in cuts.items()
            )
            share = stats.norm.cdf(high, scale, 0.1) - stats.norm.cdf(low, scale, 0.1)
            total += value * share
        return total

    soft, ready = (0.04, 0.96), (0.96, 0.04)  # chance of the tap below and above its moment

    def density(scale: float) -> float:
        handle = scale + 0.2 * nodes
        first = coat(handle, {math.log(0.52 / 0.5): soft, math.log(0.7 / 0.5): ready})
        second = coat(handle, {math.log(0.55 / 0.5): ready})
        here = np.array([scale])
        third = coat(here, {math.log(26 / 24): soft})
        fourth = coat(here, {math.log(27 / 24): ready, math.log(29 / 24): soft})
        fifth = coat(here, {math.log(28 / 24): soft})
        of_sand = float((third * fourth * fifth)[0])
        return float(stats.norm.pdf(scale, 0, 0.15)) * float(weights @ (first * second)) * of_sand

    def integral(low: float, high: float, power: int = 0) -> float:
        return float(
            integrate.quad(lambda s: s**power * density(s), low, high, epsabs=0, epsrel=1e-6)[0]
        )

    whole = integral(-1.0, 1.0)
    mean = integral(-1.0, 1.0, 1) / whole
    found = update(prior, seen)
    # 1e-3 of probability: straight lines between points of the grid.
    for share, quantile in ((0.1, found.low), (0.5, found.middle), (0.9, found.high)):
        assert integral(-1.0, math.log(quantile)) / whole == pytest.approx(share, abs=1e-3)
    spread = math.sqrt(integral(-1.0, 1.0, 2) / whole - mean**2)
    assert found.sd_log == pytest.approx(spread, rel=1e-4)


def test_a_marks_own_scale_agrees_with_random_draws() -> None:
    # A million shops drawn from the prior, weighted by how likely each would have tapped so.
    prior = Prior(
        (MarkPrior("handle", 0.5, 0.2), MarkPrior("sand", 24.0, 0.0)), 0.15, 0.1, lapse=0.03
    )
    seen = [not_yet(30.0, 1), not_yet(0.6, 2, "handle"), already(0.8, 3, "handle")]
    rng = np.random.default_rng(4)
    scale = rng.normal(0, 0.15, 1_000_000)
    handle = scale + rng.normal(0, 0.2, scale.size)
    weight = 0.03 + 0.94 * stats.norm.sf(math.log(30 / 24), scale, 0.1)
    weight *= 0.03 + 0.94 * stats.norm.sf(math.log(0.6 / 0.5), handle, 0.1)
    weight *= 0.03 + 0.94 * stats.norm.cdf(math.log(0.8 / 0.5), handle, 0.1)
    found = {mark.mark: mark for mark in mark_scales(prior, seen)}
    for values, mark in ((handle, found["handle"]), (scale, found["sand"])):
        mean = np.average(values, weights=weight)
        sd = math.sqrt(np.average((values - mean) ** 2, weights=weight))
        # 0.002: four standard errors of a million draws, a few hundred thousand of weight.
        assert math.hypot(sd, 0.1) == pytest.approx(mark.sd_log, abs=0.002)
        order = np.argsort(values)
        share = np.cumsum(weight[order]) / weight.sum()
        median = values[order][np.searchsorted(share, 0.5)]
        assert math.log(mark.middle) == pytest.approx(median, abs=0.002)


# -- what must hold whatever is tapped ------------------------------------------------------


def test_without_a_tap_every_mark_stands_as_its_material_gives_it(lacquer: Material) -> None:
    prior = Prior.of(lacquer)
    found = update(prior, [])
    assert (found.taps, found.words) == (0, "nothing is learned yet: the reference stands")
    assert found.middle == pytest.approx(1.0, abs=1e-9)
    for scale in mark_scales(prior, []):
        assert scale.middle == pytest.approx(1.0, abs=1e-9)
        assert scale.sd_log == pytest.approx(mark_sd(lacquer.marks[scale.mark]), rel=1e-6)


@pytest.mark.parametrize("material_id", sorted(load_catalogue().materials))
def test_every_material_that_ships_can_learn(material_id: str) -> None:
    material = load_catalogue().materials[material_id]
    prior = Prior.of(material)
    for mark in material.marks.values():
        late = update(prior, [Observation(1, mark.name, 1.2 * mark.hours, ready=False)])
        soon = update(prior, [Observation(1, mark.name, mark.hours / 1.2, ready=True)])
        assert soon.middle < 1.0 < late.middle
        assert late.low < late.middle < late.high


def test_the_order_of_taps_does_not_matter_to_the_last_digit() -> None:
    seen = [not_yet(26.0, 1), already(30.0, 1), already(22.0, 2), not_yet(31.0, 3)]
    found = {update(ONE_MARK, list(order)) for order in permutations(seen)}
    assert len(found) == 1


def test_steps_show_how_the_middle_moved_with_each_tap() -> None:
    seen = [not_yet(26.0, 1), not_yet(27.0, 2), already(22.0, 3)]
    found = steps(ONE_MARK, seen)
    assert found == [update(ONE_MARK, seen[: n + 1]) for n in range(3)]
    assert 1.0 < found[0].middle < found[1].middle > found[2].middle


def test_a_second_soft_tap_on_one_coat_is_not_a_second_coat() -> None:
    once = update(ONE_MARK, [not_yet(30.0)])
    thrice = update(ONE_MARK, [not_yet(26.0), not_yet(28.0), not_yet(30.0)])
    assert (thrice.middle, thrice.low, thrice.high) == (once.middle, once.low, once.high)
    assert (thrice.taps, thrice.coats) == (3, 1)
    assert update(ONE_MARK, [not_yet(30.0), not_yet(30.0, 2)]).middle > once.middle


def test_taps_that_say_nothing_new_change_next_to_nothing() -> None:
    # Soft an hour after it was put on, clean after ten days: so it would be in any shop.
    found = update(ONE_MARK, [not_yet(1.0), already(240.0, 2), not_yet(0.0, 3)])
    assert found.middle == pytest.approx(1.0, abs=1e-3)
    assert found.sd_log == pytest.approx(0.2, abs=1e-3)


def test_a_mark_that_the_material_no_longer_has_is_left_out() -> None:
    assert update(ONE_MARK, [not_yet(9.0, mark="polish")]) == update(ONE_MARK, [])


@pytest.mark.parametrize(
    ("middle", "coats", "pieces", "words"),
    [
        (1.184, 12, 12, "this shop dries 18 % slower than the reference (12 pieces)"),
        (0.85, 14, 3, "this shop dries 15 % faster than the reference (14 coats on 3 pieces)"),
        (1.002, 1, 1, "this shop dries as fast as the reference (1 piece)"),
    ],
)
def test_it_is_said_in_words(middle: float, coats: int, pieces: int, words: str) -> None:
    found = Posterior(middle, 0.9, 1.3, 0.05, taps=coats, coats=coats, pieces=pieces)
    assert found.words == words
    assert found.range_words == "80 % sure: between 10 % faster and 30 % slower"
    surely = replace(found, low=1.126, high=1.3)
    assert surely.range_words == "80 % sure: between 13 and 30 % slower"
    assert replace(found, low=0.8, high=0.95).range_words == "80 % sure: between 20 and 5 % faster"


@pytest.mark.parametrize(
    ("said", "hours", "waited", "mark"),
    [
        ("soft", 0.7, "recoat", "recoat"),
        ("soft", 140.0, None, "rub_out"),
        ("gummed", 100.0, "rub_out", "rub_out"),
        ("gummed", 20.0, "recoat", "sand"),
        ("clean", 24.0, "rub_out", "sand"),  # sanded between coats, while the week is waited for
        ("clean", 150.0, None, "rub_out"),
        ("printed", 1.0, "recoat", "handle"),
    ],
)
def test_a_word_is_about_the_mark_that_it_can_be_about(
    lacquer: Material, said: str, hours: float, waited: str | None, mark: str
) -> None:
    assert mark_for(said, hours, lacquer.marks, waited) == mark


def test_a_word_may_fit_no_mark_of_a_material() -> None:
    toner = load_catalogue().materials["toner-can"]
    assert mark_for("clean", 1.0, toner.marks, "recoat") is None
    assert list(words_for(toner.marks)) == ["soft", "printed"]


def test_a_tenth_of_the_wait_may_lack_readings() -> None:
    assert not too_many_holes(0.0, 0.0)
    assert not too_many_holes(2.4, 24.0)
    assert too_many_holes(2.5, 24.0)


# -- simulated shops ------------------------------------------------------------------------


def test_in_three_hundred_shops_the_estimate_closes_in_and_its_range_holds() -> None:
    made = simulated.shops(simulated.World("as the tool assumes"), 300, seed=11)
    found = {taps: simulated.measured(made, taps) for taps in (0, 6, 24, 48)}
    errors = [found[taps].error_pct for taps in (0, 6, 24, 48)]
    assert errors == sorted(errors, reverse=True)
    # Each tap is worth at most the coats' own spread over the root of their number.
    assert errors[-1] < 0.4 * errors[0]
    for taps in (6, 24, 48):
        # 75 to 85 %: what is asked of it; 2.3 % is the standard error of 300 shops.
        assert 75.0 <= found[taps].held_pct <= 85.0


def test_one_wrong_tap_in_a_dozen_moves_the_middle_by_little() -> None:
    slipped = simulated.slips(60, seed=12)
    # Little: half of what a dozen right taps leave open (the table: 7 %), and seldom, one time in
    # ten by its meaning, out of their 80 % range.
    assert np.mean([slip.moved_pct for slip in slipped]) < 3.5
    assert np.mean([slip.inside for slip in slipped]) > 0.9
    absurd = [already(24.0 * (0.9 + 0.02 * n), coat=n) for n in range(12)]
    right = update(ONE_MARK, absurd).middle
    assert abs(update(ONE_MARK, [*absurd, not_yet(2400.0, 99)]).middle / right - 1.0) < 0.01


@pytest.mark.slow
def test_the_tables_in_the_docs_are_what_the_script_prints() -> None:
    assert simulated.BLOCK.text() == simulated.BLOCK.filled(simulated.tables())


@pytest.mark.parametrize("at_z", [-3.0, -0.5, 0.0, 1.0, 2.5, 9.0, 40.0])
@pytest.mark.parametrize("z", [-1.2816, 0.0, 1.2816])
def test_what_is_left_after_a_not_yet_is_the_distribution_cut_off_there(
    z: float, at_z: float
) -> None:
    """Against scipy's own truncated normal distribution."""
    cut = stats.truncnorm(at_z, np.inf)
    found = given_not_yet(z, at_z)
    assert found > at_z
    assert found == pytest.approx(float(cut.isf(stats.norm.sf(z))), rel=1e-6, abs=1e-9)
