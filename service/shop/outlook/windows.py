"""Stretches of the next hours in which something will be allowed, with how likely."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from service.shop.outlook.history import HOUR_S, Floats
from service.shop.outlook.paths import Paths

__all__ = ["Window", "likely_windows"]


@dataclass(frozen=True)
class Window:
    """A stretch between two instants [s since 1970].

    ``probability`` is the mean over its steps of the chance that the step is allowed;
    ``throughout`` the chance that all of them are.
    """

    start_s: float
    end_s: float
    probability: float
    throughout: float


def likely_windows(
    paths: Paths, allowed: NDArray[np.bool_], *, at_least: float = 0.5, shortest_h: float = 0.5
) -> tuple[Window, ...]:
    """Find the stretches whose steps are each allowed in enough of the paths, earliest first.

    Parameters
    ----------
    paths : Paths
        Drawn at rising horizons.
    allowed : array of bool (paths, horizons)
        Whether the check would allow it in each path at each horizon.
    at_least : float
        Chance a step must reach, above 0 to 1.
    shortest_h : float
        Shorter stretches are left out [h].

    Notes
    -----
    A step stands for the time from halfway after the step before to halfway before the next.
    """
    if allowed.shape != paths.air_c.shape:
        raise ValueError("allowed: must have the shape of the paths")
    if not 0.0 < at_least <= 1.0:
        raise ValueError("at_least: must be above 0 and at most 1")
    chance = allowed.mean(axis=0)
    edges = _edges(paths.horizon_h)
    likely = np.concatenate([[False], chance >= at_least, [False]])
    turns = np.flatnonzero(np.diff(likely.astype(np.int8)))
    found = []
    for first, end in zip(turns[::2], turns[1::2], strict=True):
        if edges[end] - edges[first] < shortest_h:
            continue
        found.append(
            Window(
                start_s=paths.now_s + HOUR_S * float(edges[first]),
                end_s=paths.now_s + HOUR_S * float(edges[end]),
                probability=float(chance[first:end].mean()),
                throughout=float(allowed[:, first:end].all(axis=1).mean()),
            )
        )
    return tuple(found)


def _edges(horizon_h: Floats) -> Floats:
    middle = 0.5 * (horizon_h[1:] + horizon_h[:-1])
    return np.concatenate([[0.0], middle, horizon_h[-1:]])
