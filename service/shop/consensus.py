"""One value out of several measurements of it that agree more or less.

References
----------
Paule and Mandel (1982), J. Res. Natl. Bur. Stand. 87, 377: the spread between laboratories is that
which makes the weighted squares come out as expected.
Birge (1932), Phys. Rev. 40, 207: the ratio of external to internal consistency.
JCGM 100:2008 (GUM), F.1.2.3: errors that measurements share do not average out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

__all__ = ["Consensus", "consensus"]

STEPS = 60


@dataclass(frozen=True)
class Consensus:
    """Weighted mean of several measurements, in their unit.

    Attributes
    ----------
    mean : float
        Weighted mean.
    sd : float
        Standard uncertainty of the mean, errors taken as independent.
    between_sd : float
        Spread between the measured things themselves, beyond what the uncertainties explain.
    shared_sd : float
        Standard uncertainty of the mean were all errors one and the same.
    birge : float
        Birge ratio; about 1 where the uncertainties explain the scatter. 0 for one value.
    """

    mean: float
    sd: float
    between_sd: float
    shared_sd: float
    birge: float


def consensus(values: Sequence[float], sds: Sequence[float]) -> Consensus:
    """Return the weighted mean by Paule and Mandel.

    Parameters
    ----------
    values, sds : sequence of float
        Measurements and their standard uncertainties, above 0; one or more.

    Raises
    ------
    ValueError
        Where there is no value, a length differs or an uncertainty is not above 0.
    """
    if not values or len(values) != len(sds):
        raise ValueError("values: one or more, and as many sds")
    if not all(sd > 0.0 for sd in sds):
        raise ValueError("sds: must be above 0")
    free = len(values) - 1
    scatter = _scatter(values, sds, 0.0)
    between = _between_variance(values, sds, free) if 0 < free < scatter else 0.0
    weights = _weights(sds, between)
    return Consensus(
        mean=_mean(values, weights),
        sd=1.0 / math.sqrt(sum(weights)),
        between_sd=math.sqrt(between),
        shared_sd=_mean(sds, weights),
        birge=math.sqrt(scatter / free) if free else 0.0,
    )


def _between_variance(values: Sequence[float], sds: Sequence[float], free: int) -> float:
    """Return the variance at which the scatter is what is expected; it falls as that rises."""
    low, high = 0.0, (max(values) - min(values)) ** 2  # there each square is at most 1 of n
    while _scatter(values, sds, high) > free:
        high *= 2.0
    for _ in range(STEPS):
        middle = 0.5 * (low + high)
        if _scatter(values, sds, middle) > free:
            low = middle
        else:
            high = middle
    return high


def _scatter(values: Sequence[float], sds: Sequence[float], between: float) -> float:
    weights = _weights(sds, between)
    mean = _mean(values, weights)
    return sum(w * (v - mean) ** 2 for w, v in zip(weights, values, strict=True))


def _weights(sds: Sequence[float], between: float) -> list[float]:
    return [1.0 / (sd * sd + between) for sd in sds]


def _mean(values: Sequence[float], weights: Sequence[float]) -> float:
    return sum(w * v for w, v in zip(weights, values, strict=True)) / sum(weights)
