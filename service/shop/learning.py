"""What a shop's own verdicts say of a material's time scale: Bayes on a grid.

A tap such as "still soft" or "sanded clean" does not tell when a coat became ready, only that at
that moment it was not yet, or was already: a censored observation, as in tests of breaking load
that only ask "did it hold?". On the natural logarithm of the time over the material file's:

    log T(coat, mark) = s + b(mark) + e(coat),   s ~ N(0, scale_sd²),  b ~ N(0, own_sd²),
                                                 e ~ N(0, piece_sd²)

``s`` is the shop's scale, shared by all marks of a material. ``b`` is what a mark differs by on top
of it: nothing for the mark whose span practice states most narrowly, more for marks that are known
less well, so that together with ``e`` each mark has exactly the spread it had before any verdict.
``e`` differs from coat to coat. A tap is wrong with probability :data:`LAPSE`, so one slip of a
thumb cannot carry the scale away. Of several taps on one coat and mark the latest "not yet" and the
earliest "already" count: together they hold the coat between two moments.

The sums over the grid are exact for this model but for the grid's step (see the tests).
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr, ndtr, ndtri_exp

from service.shop.materials import Mark, Material
from service.shop.said import say

__all__ = [
    "HOLES_MOST",
    "LAPSE",
    "PIECE_SD",
    "READY_BY",
    "SAID",
    "SCALE_SD",
    "Z80",
    "MarkPrior",
    "MarkScale",
    "Observation",
    "Posterior",
    "Prior",
    "given_not_yet",
    "mark_for",
    "mark_scales",
    "mark_sd",
    "steps",
    "too_many_holes",
    "update",
    "words_for",
]

Floats = NDArray[np.float64]

SAID: Mapping[str, str] = {
    "soft": "still soft",
    "clean": "sanded clean",
    "gummed": "gummed the paper",
    "printed": "printed",
}
"""What a tap can say of a coat."""

READY_BY: Mapping[str, bool] = {"soft": False, "clean": True, "gummed": False, "printed": False}
"""Whether the coat was already ready by it."""

_ABOUT: Mapping[str, tuple[str, ...]] = {
    "clean": ("sand", "rub_out", "cut", "buff"),
    "gummed": ("sand", "rub_out", "cut", "buff"),
    "printed": ("handle",),
}
"""Marks that a word can be about; any mark where it is not named here."""

SCALE_SD = 0.15
"""Spread (log) of a material's real time scale about its reference, where a mark states no span
of its own (assumed)."""

PIECE_SD = 0.10
"""Spread (log) from coat to coat in one shop: film, wood, hand (assumed)."""

LAPSE = 0.03
"""Share of taps that are wrong: the wrong button, the wrong instrument (assumed)."""

HOLES_MOST = 0.10
"""Share of a coat's wait without readings beyond which its taps are not learned from.

Over a hole the clock is off by some 0.35 (log; see ``projection.GAP_SD``), so a tenth of the wait
leaves it off by 0.035: small against :data:`PIECE_SD`. With more, the tap would tell of the air
that nobody measured and not of the material.
"""

Z80 = 1.2816
"""An 80 % range lies this many standard deviations to either side (normal quantile)."""

POINTS = 721

LEAST_REACH = 1.8
"""The grid spans at least scales of exp(-1.8) to exp(1.8), a sixth to six times the reference, in
steps of half a per cent."""

FARTHEST_SD = 6.0
"""... and at least this many of the widest mark's standard deviations to either side."""


@dataclass(frozen=True)
class MarkPrior:
    """A mark before any verdict: reference hours, and its own spread (log) about the scale."""

    name: str
    hours: float
    own_sd: float


@dataclass(frozen=True)
class Prior:
    """A material before any verdict; every spread is of the natural logarithm."""

    marks: tuple[MarkPrior, ...]
    scale_sd: float
    piece_sd: float
    lapse: float = LAPSE

    @property
    def grid(self) -> Floats:
        """Logarithms of the scales that are reckoned with, evenly spaced."""
        widest = math.hypot(self.scale_sd, max(mark.own_sd for mark in self.marks))
        reach = max(LEAST_REACH, FARTHEST_SD * widest)
        return np.linspace(-reach, reach, POINTS)

    @classmethod
    def of(cls, material: Material) -> Prior:
        """Take the prior from the spans that the material's marks state."""
        marks = sorted(material.marks.values(), key=lambda mark: (mark.hours, mark.name))
        least = min(map(mark_sd, marks))
        piece_sd = min(PIECE_SD, least / math.sqrt(2.0))
        return cls(
            tuple(
                MarkPrior(mark.name, mark.hours, math.sqrt(max(mark_sd(mark) ** 2 - least**2, 0.0)))
                for mark in marks
            ),
            scale_sd=math.sqrt(least**2 - piece_sd**2),
            piece_sd=piece_sd,
        )


@dataclass(frozen=True, order=True)
class Observation:
    """One tap: at ``hours`` (reference hours) on a coat's clock a mark was reached, or not yet."""

    coat: int
    mark: str
    hours: float
    ready: bool
    piece: int = 0
    """Instrument that the coat is on; only counted."""


@dataclass(frozen=True)
class MarkScale:
    """A mark's time over its reference.

    ``middle`` is the median, ``low`` and ``high`` the 10 and 90 % quantiles of what this shop's
    middle coat takes; ``sd_log`` is the spread of one coat's time: of that and from coat to coat.
    """

    mark: str
    middle: float
    low: float
    high: float
    sd_log: float

    @property
    def coat_low(self) -> float:
        """One coat in ten is quicker than this."""
        return self.middle * math.exp(-Z80 * self.sd_log)

    @property
    def coat_high(self) -> float:
        """One coat in ten is slower than this."""
        return self.middle * math.exp(Z80 * self.sd_log)


@dataclass(frozen=True)
class Posterior:
    """The shop's time scale of a material: median, 10 and 90 % quantiles, spread of its log."""

    middle: float
    low: float
    high: float
    sd_log: float
    taps: int
    coats: int
    pieces: int

    @property
    def words(self) -> str:
        """Say it in one sentence."""
        if self.taps == 0:
            return say("nothing is learned yet: the reference stands")
        percent = round(100.0 * (self.middle - 1.0))
        if percent == 0:
            found = say("this shop dries as fast as the reference")
        else:
            found = say(
                "this shop dries {percent} than the reference", percent=_percent(self.middle)
            )
        return say("{found} ({counted})", found=found, counted=_counted(self.coats, self.pieces))

    @property
    def range_words(self) -> str:
        """Say how sure that is."""
        low, high = _percent(self.low), _percent(self.high)
        if low.rsplit(" ", 1)[-1] == high.rsplit(" ", 1)[-1]:
            low = low.split(" ", 1)[0]  # "slower" or "faster" is said once
        return say("80 % sure: between {low} and {high}", low=low, high=high)


def mark_sd(mark: Mark) -> float:
    """Spread (log) of one coat's time to a mark before any verdict: its span as an 80 % range."""
    span = math.log(mark.high_hours / mark.low_hours) / (2 * Z80)
    return span if span > 0 else SCALE_SD


def mark_for(said: str, hours: float, marks: Mapping[str, Mark], waited: str | None) -> str | None:
    """Return the mark that a word is about; None where the material has none for it.

    "Not yet" is about the mark that is waited for, if it can be; else, like "already", about the
    mark that lies nearest to what the clock has run, ``hours`` in reference hours.
    """
    about = _about(said, marks)
    if waited in about and not READY_BY[said]:
        return waited
    now = math.log(max(hours, 1e-6))
    return min(about, key=lambda name: abs(math.log(marks[name].hours) - now), default=None)


def given_not_yet(z: float, at_z: float) -> float:
    """Return the normal deviate of the same chance among coats that were not ready at ``at_z``.

    Of those the chance to be ready by x is ``1 - (1 - ndtr(x)) / (1 - ndtr(at_z))``: a normal
    distribution cut off below. The tap is taken at its word, for whoever has just gummed the paper
    shall not be told that it is ready.
    """
    return -float(ndtri_exp(log_ndtr(-z) + log_ndtr(-at_z)))


def words_for(marks: Collection[str]) -> dict[str, str]:
    """Return what can be said of a coat that has these marks."""
    return {said: words for said, words in SAID.items() if _about(said, marks)}


def too_many_holes(gap_h: float, waited_h: float) -> bool:
    """Whether too much of a coat's wait (hours) is without readings to learn from a tap on it."""
    return gap_h > HOLES_MOST * waited_h


def _about(said: str, marks: Collection[str]) -> list[str]:
    """Return those of a material's marks that a word can be about."""
    return [name for name in _ABOUT.get(said, tuple(marks)) if name in marks]


def update(prior: Prior, observations: Iterable[Observation]) -> Posterior:
    """Reckon the scale from a prior and what was observed; the order does not matter.

    Observations of marks that the prior does not know are left out.
    """
    return _update(prior, _counted_of(prior, observations))


def mark_scales(prior: Prior, observations: Iterable[Observation]) -> tuple[MarkScale, ...]:
    """Reckon the time to each mark over its reference, soonest mark first."""
    return _mark_scales(prior, _counted_of(prior, observations))


def steps(prior: Prior, observations: Sequence[Observation]) -> list[Posterior]:
    """Return the posterior after each observation, in the order given."""
    return [update(prior, observations[: n + 1]) for n in range(len(observations))]


def _counted_of(prior: Prior, observations: Iterable[Observation]) -> tuple[Observation, ...]:
    known = {mark.name for mark in prior.marks}
    return tuple(sorted(o for o in observations if o.mark in known))


@lru_cache(maxsize=1024)
def _update(prior: Prior, observations: tuple[Observation, ...]) -> Posterior:
    grid = prior.grid
    told = (
        _to_scale(_log_likelihood(prior, mark, observations, grid), mark.own_sd, grid)
        for mark in prior.marks
    )
    return Posterior(
        *_summary(_log_prior(prior, grid) + sum(told), grid),
        taps=len(observations),
        coats=len({o.coat for o in observations}),
        pieces=len({o.piece for o in observations}),
    )


@lru_cache(maxsize=128)
def _mark_scales(prior: Prior, observations: tuple[Observation, ...]) -> tuple[MarkScale, ...]:
    """Reckon each mark from its own taps and from what all others say of the scale."""
    grid = prior.grid
    by_mark = {m.name: _log_likelihood(prior, m, observations, grid) for m in prior.marks}
    told = {m.name: _to_scale(by_mark[m.name], m.own_sd, grid) for m in prior.marks}
    marks = []
    for mark in prior.marks:
        others = _log_prior(prior, grid) + sum(
            heard for name, heard in told.items() if name != mark.name
        )
        here = by_mark[mark.name] + _to_scale(others, mark.own_sd, grid)
        middle, low, high, sd = _summary(here, grid)
        spread = math.hypot(sd, prior.piece_sd)
        marks.append(MarkScale(mark.name, middle, low, high, spread))
    return tuple(marks)


def _log_prior(prior: Prior, grid: Floats) -> Floats:
    return np.asarray(-0.5 * (grid / prior.scale_sd) ** 2)


def _log_likelihood(
    prior: Prior, mark: MarkPrior, observations: Iterable[Observation], grid: Floats
) -> Floats:
    """Log probability of all taps about a mark, at each scale of the grid."""
    not_yet: dict[int, float] = defaultdict(lambda: -math.inf)
    already: dict[int, float] = defaultdict(lambda: math.inf)
    for seen in observations:
        if seen.mark != mark.name:
            continue
        at = math.log(seen.hours / mark.hours) if seen.hours > 0 else -math.inf
        if seen.ready:
            already[seen.coat] = min(already[seen.coat], at)
        else:
            not_yet[seen.coat] = max(not_yet[seen.coat], at)
    coats = sorted({*not_yet, *already})
    if not coats:
        return np.zeros(grid.size)
    each = [_log_coat(prior, not_yet[coat], already[coat]) for coat in coats]
    return np.asarray(np.sum(each, axis=0))


@lru_cache(maxsize=2048)
def _log_coat(prior: Prior, not_yet: float, already: float) -> Floats:
    """Log probability of a coat's two taps at each scale, its own time averaged over coats.

    Mean of (lapse + (1 - 2 lapse) [T > not_yet]) (lapse + (1 - 2 lapse) [T < already]) over T.
    """
    below_not_yet = ndtr((not_yet - prior.grid) / prior.piece_sd)
    below_already = ndtr((already - prior.grid) / prior.piece_sd)
    between = np.maximum(below_already - below_not_yet, 0.0)
    sure = 1.0 - 2.0 * prior.lapse
    either = 1.0 - below_not_yet + below_already
    kept = np.log(prior.lapse**2 + prior.lapse * sure * either + sure**2 * between)
    kept.flags.writeable = False
    return np.asarray(kept)


def _to_scale(log_density: Floats, own_sd: float, grid: Floats) -> Floats:
    """Carry a log density from a mark to the scale or back: smoothed by the mark's own spread."""
    if own_sd < grid[1] - grid[0] or not np.any(log_density):
        return log_density
    step = (grid[-1] - grid[0]) / (grid.size - 1)
    apart = step * np.arange(1 - grid.size, grid.size)
    kernel = np.exp(-0.5 * (apart / own_sd) ** 2)
    top = float(np.max(log_density))
    with np.errstate(divide="ignore"):
        return np.asarray(
            np.log(np.convolve(kernel, np.exp(log_density - top), mode="valid")) + top
        )


def _summary(log_density: Floats, grid: Floats) -> tuple[float, float, float, float]:
    """Median and 10 and 90 % quantiles of the scale, spread of its logarithm."""
    density = np.exp(log_density - np.max(log_density))
    running = np.concatenate(([0.0], np.cumsum((density[1:] + density[:-1]) / 2.0)))
    low, middle, high = np.exp(np.interp([0.1, 0.5, 0.9], running / running[-1], grid))
    weight = density / density.sum()
    mean = float(weight @ grid)
    sd = math.sqrt(float(weight @ (grid - mean) ** 2))
    return float(middle), float(low), float(high), sd


def _percent(scale: float) -> str:
    percent = round(100.0 * (scale - 1.0))
    if percent >= 0:
        return say("{percent} % slower", percent=percent)
    return say("{percent} % faster", percent=-percent)


def _counted(coats: int, pieces: int) -> str:
    on = say("1 piece") if pieces == 1 else say("{pieces} pieces", pieces=pieces)
    return on if coats == pieces else say("{coats} coats on {on}", coats=coats, on=on)
