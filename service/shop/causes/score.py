"""How likely each cause of a flaw is, after what the record shows of it.

A mixture of naive Bayes: a cause has spoiled one of the coats, and which one is not known. Its
likelihood ratio is the mean over the coats of what each coat's indicators say, times what the
piece's say; against coats that are as usual in everything. Of each group of indicators the first
known counts, so that what hangs together is not counted twice.

References
----------
Likelihood ratios and their mixture: any text on Bayesian diagnosis, for instance Spiegelhalter et
al., Bayesian Approaches to Clinical Trials (2004), ch. 3 (from memory). Weights and shares are data
with a basis of their own.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from service.shop.causes.model import (
    SOMETHING_ELSE,
    Cause,
    Finding,
    Findings,
    Indicator,
    Knowledge,
)

__all__ = ["Likely", "Says", "Scored", "ratio_of", "score"]

ELSE_SHARE = 0.12
"""Prior probability that it is none of the causes named (assumed)."""

STRENGTH = 8.0
"""So many confirmed flaws of a kind weigh as much as the priors do (assumed)."""

MISTAKEN = 0.05
"""Share of records that say nothing of what happened: a wrong tap, a sensor elsewhere (assumed).
It bounds what any one indicator can say."""

SHALLOWER = 0.5
"""Weight of a coat against the one above it where the trouble lies in the newest (assumed)."""

STANDS_OUT = 0.4
KNOWN_ENOUGH = 0.5
SPEAKS = math.log(1.25)
"""An indicator that changes the odds by less is not worth a word."""


@dataclass(frozen=True)
class Says:
    """What one indicator says of a cause: ``ratio`` above 1 is for it, below 1 against.

    ``coat`` is the number of the coat in the findings, from 0; None for the piece.
    """

    indicator: str
    value: float
    ratio: float
    coat: int | None


@dataclass(frozen=True)
class Scored:
    """A cause with its probability, and what speaks for and against it, strongest first."""

    cause: str
    probability: float
    prior: float
    coat: int | None
    """Coat that it most likely spoiled; None where no coat speaks."""
    speaks_for: tuple[Says, ...]
    speaks_against: tuple[Says, ...]
    not_known: tuple[str, ...]
    """Indicators that could say something and are not known."""


@dataclass(frozen=True)
class Likely:
    """Causes of a flaw, likeliest first.

    Attributes
    ----------
    verdict
        ``stands_out`` (the first is likely), ``several`` (none stands out), ``not_enough`` (too
        little is known to say) or ``no_causes`` (none is known for this kind).
    known_part
        How much of what could speak is known, 0 to 1.
    """

    verdict: Literal["stands_out", "several", "not_enough", "no_causes"]
    causes: tuple[Scored, ...]
    known_part: float


def score(
    kind: str, findings: Findings, knowledge: Knowledge, confirmed: Mapping[str, int] | None = None
) -> Likely:
    """Score the causes of a kind of flaw.

    Parameters
    ----------
    kind : str
        Kind of flaw.
    findings : Findings
        What the record shows.
    knowledge : Knowledge
        Indicators and causes.
    confirmed : mapping, optional
        How often each cause of this kind was confirmed in this shop.
    """
    causes = knowledge.causes_of(kind)
    if not causes:
        return Likely("no_causes", (), 0.0)
    priors = _priors(kind, causes, confirmed or {})
    weights = _coat_weights(len(findings.coats), surface=kind in knowledge.near_the_surface)
    looked = [_look(cause, findings, weights, knowledge) for cause in causes]
    total = priors[SOMETHING_ELSE] + sum(
        priors[c.id] * seen.ratio for c, seen in zip(causes, looked, strict=True)
    )
    scored = [
        Scored(
            cause.id,
            priors[cause.id] * seen.ratio / total,
            priors[cause.id],
            seen.coat,
            _strongest(s for s in seen.says if math.log(s.ratio) >= SPEAKS),
            _strongest(s for s in seen.says if math.log(s.ratio) <= -SPEAKS),
            seen.not_known,
        )
        for cause, seen in zip(causes, looked, strict=True)
    ]
    rest = priors[SOMETHING_ELSE]
    scored.append(Scored(SOMETHING_ELSE, rest / total, rest, None, (), (), ()))
    scored.sort(key=lambda s: -s.probability)
    known = _known_part(causes, looked, priors)
    first = scored[0]
    if known < KNOWN_ENOUGH:
        verdict: Literal["stands_out", "several", "not_enough"] = "not_enough"
    elif first.cause != SOMETHING_ELSE and first.probability >= STANDS_OUT:
        verdict = "stands_out"
    else:
        verdict = "several"
    return Likely(verdict, tuple(scored), known)


def ratio_of(
    indicator: Indicator, expects: Sequence[float], finding: Finding, mistaken: float = MISTAKEN
) -> float:
    """Likelihood ratio of a finding: spread over the bins that its doubt reaches."""
    inside = _in_bins(indicator.edges, finding)
    spoiled = sum(
        p * ((1.0 - mistaken) * e + mistaken * u)
        for p, e, u in zip(inside, expects, indicator.usual, strict=True)
    )
    usual = sum(p * u for p, u in zip(inside, indicator.usual, strict=True))
    return spoiled / usual


@dataclass(frozen=True)
class _Seen:
    """What the findings say of one cause."""

    ratio: float
    coat: int | None
    says: tuple[Says, ...]
    not_known: tuple[str, ...]
    known: int
    could: int


def _look(
    cause: Cause, findings: Findings, weights: Sequence[float], knowledge: Knowledge
) -> _Seen:
    relevant = [i for i in knowledge.indicators.values() if i.id in cause.expects]
    of_coats = [i for i in relevant if i.of == "coat"]
    piece = [
        _says(i, cause, findings.piece[i.id], None)
        for i in _first_known([i for i in relevant if i.of == "piece"], findings.piece)
    ]
    ratio, best, said = 1.0, None, piece
    if of_coats and findings.coats:
        each = [
            [_says(i, cause, coat[i.id], number) for i in _first_known(of_coats, coat)]
            for number, coat in enumerate(findings.coats)
        ]
        shares = [
            weight * math.prod(s.ratio for s in says)
            for weight, says in zip(weights, each, strict=True)
        ]
        ratio = sum(shares)
        top = max(range(len(shares)), key=lambda n: shares[n])
        if each[top]:
            best, said = top, [*each[top], *piece]
    ratio *= math.prod(s.ratio for s in piece)
    groups = {i.group for i in relevant}
    heard = {knowledge.indicators[s.indicator].group for s in said}
    silent = tuple(
        next(i.id for i in relevant if i.group == group) for group in sorted(groups - heard)
    )
    return _Seen(ratio, best, tuple(said), silent, len(heard), len(groups))


def _first_known(indicators: Sequence[Indicator], found: Mapping[str, Finding]) -> list[Indicator]:
    """Of each group the first indicator that is known."""
    chosen: dict[str, Indicator] = {}
    for indicator in indicators:
        if indicator.id in found:
            chosen.setdefault(indicator.group, indicator)
    return list(chosen.values())


def _says(indicator: Indicator, cause: Cause, finding: Finding, coat: int | None) -> Says:
    ratio = ratio_of(indicator, cause.expects[indicator.id], finding)
    return Says(indicator.id, finding.value, ratio, coat)


def _strongest(says: Iterable[Says]) -> tuple[Says, ...]:
    return tuple(sorted(says, key=lambda s: -abs(math.log(s.ratio))))


def _priors(kind: str, causes: Sequence[Cause], confirmed: Mapping[str, int]) -> dict[str, float]:
    every = sum(c.kinds[kind] for c in causes)
    shares = {c.id: (1.0 - ELSE_SHARE) * c.kinds[kind] / every for c in causes}
    shares[SOMETHING_ELSE] = ELSE_SHARE
    counted = {cause: confirmed.get(cause, 0) for cause in shares}
    many = sum(counted.values())
    return {c: (STRENGTH * s + counted[c]) / (STRENGTH + many) for c, s in shares.items()}


def _coat_weights(coats: int, *, surface: bool) -> list[float]:
    each = [SHALLOWER ** (coats - 1 - n) if surface else 1.0 for n in range(coats)]
    return [w / sum(each) for w in each]


def _known_part(
    causes: Sequence[Cause], looked: Sequence[_Seen], priors: Mapping[str, float]
) -> float:
    """Share of what could speak that is known, by the causes' weights."""
    could = sum(priors[c.id] for c, seen in zip(causes, looked, strict=True) if seen.could)
    if could == 0.0:
        return 0.0
    known = sum(
        priors[c.id] * seen.known / seen.could
        for c, seen in zip(causes, looked, strict=True)
        if seen.could
    )
    return known / could


def _in_bins(edges: Sequence[float], finding: Finding) -> list[float]:
    """Probability of each bin, for a value that is known but for its normal uncertainty."""
    if finding.sd <= 0.0:
        number = sum(finding.value >= edge for edge in edges)
        return [float(n == number) for n in range(len(edges) + 1)]
    below = [
        0.5 * (1.0 + math.erf((edge - finding.value) / (finding.sd * math.sqrt(2.0))))
        for edge in edges
    ]
    return [b - a for a, b in zip([0.0, *below], [*below, 1.0], strict=True)]
