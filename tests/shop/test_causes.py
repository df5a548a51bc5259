"""Causes of a flaw, scored by what the record shows."""

from __future__ import annotations

import math
import sys
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from service.shop.causes import (
    SOMETHING_ELSE,
    Cause,
    Finding,
    Findings,
    Indicator,
    Knowledge,
    ratio_of,
    score,
)
from service.store.cause_file import load_causes, parse_causes
from service.store.yaml_files import CatalogueError

sys.path.insert(0, str(Path(__file__).parents[2] / "deploy"))
import causes_table
from causes_cases import cases

KNOWN = load_causes()
DAMP = KNOWN.indicators["blush_margin_k"]
NOTHING = Findings((), {})


def coat(**values: float) -> dict[str, Finding]:
    return {name: Finding(value) for name, value in values.items()}


def first(kind: str, findings: Findings) -> str:
    return score(kind, findings, KNOWN).causes[0].cause


def test_bayes_on_a_case_worked_by_hand() -> None:
    """One indicator, two causes: prior times likelihood, by the rule of Bayes."""
    wet = Indicator("wet", "coat", "wet", "wet film", "", (1.0,), (0.8, 0.2))
    heavy = Cause("heavy", "Heavy", "", {"runs": 3.0}, {"wet": (0.1, 0.9)})
    other = Cause("other", "Other", "", {"runs": 1.0}, {})
    known = Knowledge({"wet": wet}, {"heavy": heavy, "other": other}, frozenset(), "by hand")
    told = score("runs", Findings((coat(wet=1.5), coat(wet=0.5)), {}), known)
    # 5 % of records are mistaken: 0.95 * 0.9 + 0.05 * 0.2 against 0.2; 0.95 * 0.1 + 0.05 * 0.8.
    ratio = 0.5 * (0.865 / 0.2) + 0.5 * (0.135 / 0.8)
    weights = {"heavy": 0.66 * ratio, "other": 0.22, SOMETHING_ELSE: 0.12}
    for found in told.causes:
        assert found.probability == pytest.approx(weights[found.cause] / sum(weights.values()))
    assert told.causes[0].cause == "heavy"
    assert told.causes[0].coat == 0
    assert told.verdict == "stands_out"


def test_a_doubtful_value_is_spread_over_its_bins() -> None:
    cause = KNOWN.causes["damp_air"].expects["blush_margin_k"]
    found = ratio_of(DAMP, cause, Finding(1.0, 0.9), mistaken=0.0)
    cdf = norm(1.0, 0.9).cdf([-math.inf, *DAMP.edges, math.inf])
    inside = [b - a for a, b in pairwise(cdf)]
    spoiled = sum(p * e for p, e in zip(inside, cause, strict=True))
    usual = sum(p * u for p, u in zip(inside, DAMP.usual, strict=True))
    assert found == pytest.approx(spoiled / usual, rel=1e-9)


@pytest.mark.parametrize(
    ("kind", "spoiled", "piece", "cause"),
    [
        # common practice: what a repairer would say of such a coat
        ("blush", {"blush_margin_k": -1.0, "damp_after_pct": 50.0}, {}, "damp_air"),
        ("solvent_pop", {"waited_part": 0.3, "wet_part": 1.0}, {}, "recoated_early"),
        ("runs", {"wet_part": 2.0, "waited_part": 1.5, "air_c": 21.0}, {}, "wet_coat"),
        ("dry_spray", {"distance_part": 1.6, "wet_part": 0.9, "air_c": 21.0}, {}, "too_far"),
        ("sink_back", {"waited_part": 1.5}, {"levelled_part": 0.4}, "levelled_early"),
        ("cold_checks", {}, {"coldest_c": -4.0, "swing_k": 18.0}, "cold_swing"),
        ("open_seams", {}, {"wood_change_pct": -2.5, "dried_pct": 25.0}, "wood_dried"),
        ("plate_moved", {}, {"wood_change_pct": 2.5, "wetted_pct": 25.0}, "wood_took_up_water"),
    ],
)
def test_what_a_repairer_would_suspect(
    kind: str, spoiled: dict[str, float], piece: dict[str, float], cause: str
) -> None:
    usual = coat(blush_margin_k=6.0, waited_part=1.5, wet_part=1.0, distance_part=1.0, air_c=21.0)
    findings = Findings((usual, usual | coat(**spoiled)), coat(**piece))
    assert first(kind, findings) == cause


def test_the_coat_that_says_most_is_the_one_named() -> None:
    coats = [coat(blush_margin_k=6.0) for _ in range(6)]
    coats[2] = coat(blush_margin_k=-2.0)
    damp = score("blush", Findings(tuple(coats), {}), KNOWN).causes[0]
    assert (damp.cause, damp.coat) == ("damp_air", 2)
    assert damp.speaks_for[0].indicator == "blush_margin_k"


def test_dry_air_speaks_against_damp() -> None:
    told = score("blush", Findings((coat(blush_margin_k=9.0),) * 5, {}), KNOWN)
    damp = next(c for c in told.causes if c.cause == "damp_air")
    assert damp.probability < damp.prior
    assert [s.indicator for s in damp.speaks_against] == ["blush_margin_k"]


def test_of_what_hangs_together_the_first_known_counts_alone() -> None:
    margin = Findings((coat(blush_margin_k=0.5),), {})
    thrice = Findings((coat(blush_margin_k=0.5, dew_margin_k=2.0, rh_pct=90.0),), {})
    assert score("blush", margin, KNOWN).causes[0] == score("blush", thrice, KNOWN).causes[0]
    damp = score("blush", Findings((coat(rh_pct=90.0),), {}), KNOWN).causes[0]
    assert damp.speaks_for[0].indicator == "rh_pct"


def test_nothing_known_is_said_openly() -> None:
    told = score("blush", NOTHING, KNOWN)
    assert told.verdict == "not_enough"
    assert told.known_part == 0.0
    for found in told.causes:
        assert found.probability == pytest.approx(found.prior)
        assert not found.speaks_for
        assert not found.speaks_against
    assert "blush_margin_k" in told.causes[0].not_known


def test_a_kind_without_causes_says_so() -> None:
    told = score("other", NOTHING, KNOWN)
    assert (told.verdict, told.causes) == ("no_causes", ())


def test_confirmed_causes_of_the_shop_move_the_priors() -> None:
    once = score("blush", NOTHING, KNOWN, {"water_in_the_line": 8})
    line = next(c for c in once.causes if c.cause == "water_in_the_line")
    before = next(c for c in score("blush", NOTHING, KNOWN).causes if c.cause == line.cause)
    # Eight weigh as much as the priors: the mean of the prior and of one.
    assert line.prior == pytest.approx((before.prior + 1.0) / 2.0)


values = st.floats(-20.0, 120.0)
findings = st.builds(
    Findings,
    coats=st.lists(
        st.dictionaries(
            st.sampled_from([i.id for i in KNOWN.indicators.values() if i.of == "coat"]),
            st.builds(Finding, value=values, sd=st.floats(0.0, 5.0)),
        ),
        max_size=12,
    ).map(tuple),
    piece=st.dictionaries(
        st.sampled_from([i.id for i in KNOWN.indicators.values() if i.of == "piece"]),
        st.builds(Finding, value=values, sd=st.floats(0.0, 5.0)),
    ),
)


@given(st.sampled_from(sorted({k for c in KNOWN.causes.values() for k in c.kinds})), findings)
def test_probabilities_are_probabilities(kind: str, found: Findings) -> None:
    told = score(kind, found, KNOWN)
    assert sum(c.probability for c in told.causes) == pytest.approx(1.0)
    assert all(0.0 < c.probability < 1.0 for c in told.causes)
    assert 0.0 <= told.known_part <= 1.0
    assert [c.probability for c in told.causes] == sorted(
        (c.probability for c in told.causes), reverse=True
    )
    for cause in told.causes:
        assert all(s.ratio > 1.0 for s in cause.speaks_for)
        assert all(s.ratio < 1.0 for s in cause.speaks_against)


@pytest.mark.parametrize(
    ("change", "field"),
    [
        (("usual: [0.02, 0.06, 0.22, 0.70]", "usual: [0.02, 0.06, 0.92]"), "usual"),
        (("usual: [0.02, 0.06, 0.22, 0.70]", "usual: [0.02, 0.06, 0.22, 0.80]"), "usual"),
        (("edges: [0.0, 1.5, 4.0]", "edges: [4.0, 1.5, 0.0]"), "edges"),
        (("      rh_pct: [0.02", "      rhpct: [0.02"), "rhpct"),
        (("kinds: {runs: 5.0", "kinds: {runs: -5.0"), "kinds"),
        (("    group: damp\n", ""), "group"),
    ],
)
def test_a_wrong_file_is_refused_with_its_field(change: tuple[str, str], field: str) -> None:
    text = (Path(__file__).parents[2] / "service/data/causes.yaml").read_text(encoding="utf-8")
    assert change[0] in text
    with pytest.raises(CatalogueError, match=field):
        parse_causes(text.replace(*change, 1), "causes.yaml")


def test_made_up_flaws_are_traced_better_than_by_guessing() -> None:
    made = list(cases(60, 7))
    full = causes_table.told(made, KNOWN)
    bare = causes_table.told(causes_table.nothing_known(made), KNOWN)
    blind = causes_table.told(causes_table.without_air(made), KNOWN)
    assert causes_table.rate(full, 1) > causes_table.rate(bare, 1) + 0.05
    assert causes_table.rate(full, 3) > 0.85
    clear = [one for one in full if one.likely.verdict == "stands_out"]
    # What is said to stand out is right at least as often as it is said to be.
    said = sum(one.likely.causes[0].probability for one in clear) / len(clear)
    assert causes_table.rate(clear, 1) > said - 0.05
    # Without air the tool says so rather than guess.
    assert sum(one.likely.verdict == "not_enough" for one in blind) > len(blind) / 2


def test_the_same_seed_makes_the_same_flaws() -> None:
    assert list(cases(3, 5)) == list(cases(3, 5))
