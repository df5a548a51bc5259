"""Joint courses of the air: which ranks go together, hour by hour."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.shop.outlook.history import Floats

__all__ = ["Paths", "joint_ranks"]

ENOUGH = 10 * 24
"""With fewer past courses of errors than this, ranks are drawn from an assumed fading."""

ASSUMED_FADING_H = 12.0


@dataclass(frozen=True)
class Paths:
    """Equally likely courses from ``now_s`` on: ``air_c``, ``dew_point_c`` (paths, horizons) [°C].

    ``horizon_h`` (horizons,) are hours from now. The dew point is never above the air.
    """

    now_s: float
    horizon_h: Floats
    air_c: Floats
    dew_point_c: Floats


def joint_ranks(trajectories: Floats, count: int, seed: int) -> Floats:
    """Ranks (count, hours, 2) between 0 and 1 that go together as past errors did.

    Parameters
    ----------
    trajectories : array (past, hours, 2)
        Errors of whole forecasts made in the past, over their expected size.
    count, seed : int
        How many to draw, and the seed.

    Notes
    -----
    The errors of one past forecast give one path its place among the others at every hour (a
    Schaake shuffle; Clark et al. 2004, J. Hydrometeorology 5), so that each hour keeps its own
    quantiles exactly.
    """
    rng = np.random.default_rng(seed)
    past = trajectories.shape[0]
    if past < ENOUGH:
        picked = _faded(rng, count, trajectories.shape[1])
    else:
        rounds = -(-count // past)
        order = np.concatenate([rng.permutation(past) for _ in range(rounds)])[:count]
        picked = trajectories[order]
    picked = picked + 1e-9 * rng.standard_normal(picked.shape)
    rank = np.argsort(np.argsort(picked, axis=0), axis=0)
    return np.asarray((rank + 0.5) / count)


def _faded(rng: np.random.Generator, count: int, hours: int) -> Floats:
    keep = np.exp(-1.0 / ASSUMED_FADING_H)
    noise = rng.standard_normal((count, hours, 2))
    out = np.empty_like(noise)
    out[:, 0] = noise[:, 0]
    for hour in range(1, hours):
        out[:, hour] = keep * out[:, hour - 1] + np.sqrt(1.0 - keep**2) * noise[:, hour]
    return out
