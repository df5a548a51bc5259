"""Which air makes flaws in this shop: rates with intervals, and a limit of the shop's own.

A coat either has the flaw or has not. Rates carry Jeffreys intervals, which stay honest with few
coats. A limit is suggested only where two rates, one on each side of it, explain the record better
than one rate does, every candidate limit being given its chance: the more candidates, the more it
takes.

References
----------
Brown, Cai, DasGupta, Interval Estimation for a Binomial Proportion, Statistical Science 16 (2001):
Jeffreys' interval and its behaviour with small numbers. Marginal likelihood of beta-binomial
counts: any text on Bayes factors (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import betainc, betaincinv, betaln

__all__ = ["Bin", "Split", "by_bins", "rate_interval", "split"]

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

PRIOR = 0.5
"""Both shapes of Jeffreys' beta prior."""

FEWEST_FLAWS, FEWEST_COATS = 3, 8
SURE = 0.9
"""Probability that there is a limit at all, before one is suggested (assumed)."""

EACH_SIDE = 3
"""A limit needs so many coats on either side."""


@dataclass(frozen=True)
class Bin:
    """Coats whose value lies from ``low`` (None: no end) to below ``high``, and their flaws.

    ``rate`` is the share of flawed ones (NaN without coats), with its 80 % interval.
    """

    low: float | None
    high: float | None
    coats: int
    flawed: int
    rate: float
    rate_low: float
    rate_high: float


@dataclass(frozen=True)
class Split:
    """A limit at which the rate of flaws changes.

    Attributes
    ----------
    at
        The limit.
    probability
        That the rates on its sides, or those of another limit, differ at all.
    kept, kept_flawed
        Coats on the side that the limit allows, and how many of them are flawed.
    refused, refused_flawed
        The same on its other side.
    """

    at: float
    probability: float
    kept: int
    kept_flawed: int
    refused: int
    refused_flawed: int


def rate_interval(flawed: int, coats: int, share: float = 0.8) -> tuple[float, float]:
    """Jeffreys interval of a rate; its end is closed where none or all are flawed."""
    if not 0 <= flawed <= coats or coats < 1:
        raise ValueError(f"flawed: {flawed} of {coats} coats cannot be")
    tail = (1.0 - share) / 2.0
    a, b = flawed + PRIOR, coats - flawed + PRIOR
    low = 0.0 if flawed == 0 else float(betaincinv(a, b, tail))
    high = 1.0 if flawed == coats else float(betaincinv(a, b, 1.0 - tail))
    return low, high


def by_bins(values: Floats, flawed: Flags, edges: Sequence[float]) -> tuple[Bin, ...]:
    """Count flaws by value; values that are NaN (not known) are left out.

    Parameters
    ----------
    values, flawed : ndarray, shape (n,)
        One value a coat, and whether it is flawed.
    edges : sequence of float
        Rising cuts; a value at a cut is in the bin above it.
    """
    number = np.digitize(values, edges)
    known = np.isfinite(values)
    bins = []
    for n in range(len(edges) + 1):
        here = known & (number == n)
        coats, bad = int(here.sum()), int((here & flawed).sum())
        low, high = rate_interval(bad, coats) if coats else (0.0, 1.0)
        bins.append(
            Bin(
                edges[n - 1] if n else None,
                edges[n] if n < len(edges) else None,
                coats,
                bad,
                bad / coats if coats else math.nan,
                low,
                high,
            )
        )
    return tuple(bins)


def split(
    values: Floats,
    flawed: Flags,
    candidates: Sequence[float],
    keep: Literal["below", "above"],
) -> Split | None:
    """Return the limit that tells flawed coats best from clean ones; None where none is seen.

    Parameters
    ----------
    values, flawed : ndarray, shape (n,)
        One value a coat (NaN: not known, left out), and whether it is flawed.
    candidates : sequence of float
        Limits to choose from.
    keep : str
        The side that the limit allows: ``below`` as a ceiling does, ``above`` as a floor does.
    """
    known = np.isfinite(values)
    values, flawed = values[known], flawed[known]
    coats, bad = values.size, int(flawed.sum())
    if bad < FEWEST_FLAWS or coats < FEWEST_COATS:
        return None
    one = _marginal(bad, coats)
    tried: list[tuple[float, Split]] = []
    for limit in candidates:
        kept = values <= limit if keep == "below" else values >= limit
        many, some = int(kept.sum()), int((kept & flawed).sum())
        if min(many, coats - many) < EACH_SIDE:
            continue
        gain = -math.inf
        # Fewer flaws on the side kept is what a limit is for; the other way round is no limit.
        if some * coats < bad * many:
            worse = _chance_of_less(some, many, bad - some, coats - many)
            two = _marginal(some, many) + _marginal(bad - some, coats - many)
            gain = two - one + math.log(2.0 * worse)  # half of the prior lies on this side
        tried.append((gain, Split(limit, 0.0, many, some, coats - many, bad - some)))
    if not tried:
        return None
    mean = sum(math.exp(gain) for gain, _ in tried) / len(tried)
    sure = mean / (1.0 + mean)
    best = max(tried, key=lambda pair: pair[0])[1]
    if sure < SURE:
        return None
    return Split(best.at, sure, best.kept, best.kept_flawed, best.refused, best.refused_flawed)


def _marginal(flawed: int, coats: int) -> float:
    """Logarithm of the probability of such a row of coats under an unknown rate."""
    return float(betaln(flawed + PRIOR, coats - flawed + PRIOR) - betaln(PRIOR, PRIOR))


def _chance_of_less(a_flawed: int, a_coats: int, b_flawed: int, b_coats: int) -> float:
    """Probability that the rate of a is below that of b, on a fine grid of rates."""
    edges = np.linspace(0.0, 1.0, 801)
    weight = np.diff(betainc(b_flawed + PRIOR, b_coats - b_flawed + PRIOR, edges))
    middle = (edges[1:] + edges[:-1]) / 2.0
    below = betainc(a_flawed + PRIOR, a_coats - a_flawed + PRIOR, middle)
    return float(np.clip(weight @ below, 1e-12, 1.0))
