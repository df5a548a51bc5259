"""The forecasts that are blended: simple ones that need little, ridge ones that learn with time.

Each is made at every hour of a grid as it would have been made then: coefficients are those of the
last midnight of the grid, learned from targets known by then.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from service.shop.outlook.features import Ahead, Design
from service.shop.outlook.history import Bools, Floats
from service.shop.outlook.learned import day_products, known_sums, ridge

__all__ = ["NAMES", "PENALTIES", "SIMPLE", "Learned", "candidates", "learn"]

SIMPLE = ("persistence", "yesterday", "climatology", "damped")
PENALTIES = (100.0, 1000.0, 4000.0)
NAMES = (*SIMPLE, *(f"ridge {penalty:g}" for penalty in PENALTIES))
"""Candidates in their order; with a forecast of the air outdoors a ridge that knows it is last."""

TOLD_PENALTY = 300.0
TOLD_LIKE = 1
"""Where nothing was foretold, that ridge says what the ridge of this place says."""

WINDOW_DAYS = 180
DAMPED_DAYS = 120
RIDGE_FROM_ROWS = 20 * 24
"""Ridge needs this many hours to learn from; with two weeks alone it does harm."""

PRIOR_DAMPING_H = 24.0
DAMPING_MOST = 1.3
"""No anomaly is expected to grow; a little above one, since the course follows what is read."""

PRIOR_ROWS = 72.0
"""Before anything is learned an anomaly fades with this time constant (assumed); that counts as
so many rows of usual size."""


@dataclass(frozen=True)
class Learned:
    """What has been learned for one horizon, a fit for each day of the grid and one for its end.

    ``damping`` (days + 1, 2) is the share of an anomaly that is left; ``coefficients``
    (penalties, days + 1, p, 2) of the ridge on what damping leaves; ``rows`` (days + 1,).
    ``told`` (days + 1, p + 4, 2) is that of the ridge with a forecast of the air outdoors, NaN
    while there is too little of it; None where there is no forecast.
    """

    horizon_h: int
    damping: Floats
    coefficients: Floats
    rows: Floats
    told: Floats | None = None


def learn(made: Design, horizon_h: int, target: Floats, ahead: Ahead) -> Learned:
    """Fit all learned candidates of one horizon for every day of a grid."""
    wanted = target - ahead.course
    anomaly = np.where(np.isfinite(wanted), made.anomaly, 0.0)
    wanted = np.nan_to_num(wanted)
    prior = np.exp(-horizon_h / PRIOR_DAMPING_H)
    cross = known_sums(wanted * anomaly, horizon_h, DAMPED_DAYS)
    square = known_sums(anomaly**2, horizon_h, DAMPED_DAYS)
    seen, known = np.isfinite(target), np.isfinite(ahead.features)
    count = known_sums(seen.astype(np.float64), horizon_h, DAMPED_DAYS)
    lean = PRIOR_ROWS * square / np.maximum(count, 1.0) + 1e-9
    damping = np.clip((cross + lean * prior) / (square + lean), 0.0, DAMPING_MOST)
    usable = np.asarray(seen.all(axis=1) & known.all(axis=1))
    features = np.where(usable[:, None], ahead.features, 0.0)
    left = np.where(usable[:, None], wanted - _by_row(damping, made.grid.hours) * anomaly, 0.0)
    gram = day_products(features, features, horizon_h, WINDOW_DAYS)
    moment = day_products(features, left, horizon_h, WINDOW_DAYS)
    fits = np.stack([ridge(gram, moment, penalty) for penalty in PENALTIES])
    told = (
        None if ahead.told is None else _learn_told(features, ahead.told, left, usable, horizon_h)
    )
    # A copy: a view would hold on to every day's products, some 60 MB for one place.
    return Learned(horizon_h, damping, fits, gram[:, -1, -1].copy(), told)


def _learn_told(
    features: Floats, told: Floats, left: Floats, usable: Bools, horizon_h: int
) -> Floats:
    known = (usable & np.isfinite(told).all(axis=1))[:, None]
    more = np.where(known, _with_told(features, told), 0.0)
    gram = day_products(more, more, horizon_h, WINDOW_DAYS)
    moment = day_products(more, np.where(known, left, 0.0), horizon_h, WINDOW_DAYS)
    fits = ridge(gram, moment, TOLD_PENALTY)
    return np.where((gram[:, -1, -1] >= RIDGE_FROM_ROWS)[:, None, None], fits, np.nan)


def _with_told(features: Floats, told: Floats) -> Floats:
    return np.hstack([features[:, :-1], told, features[:, -1:]])


def candidates(made: Design, learned: Learned, ahead: Ahead, day: int | None = None) -> Floats:
    """Forecasts (rows, candidates, 2) of one horizon [°C], NaN where one cannot be made.

    ``day`` picks one day's fit for all rows given; without it each row has its own day's.
    """
    rows = ahead.course.shape[0]
    values, anomaly = made.values[-rows:], made.anomaly[-rows:]

    def fit(per_day: Floats) -> Floats:
        return _by_row(per_day, rows) if day is None else per_day[day]

    damped = ahead.course + fit(learned.damping) * anomaly
    out = [values, ahead.yesterday, ahead.course, damped]
    enough = np.reshape(fit(learned.rows), (-1, 1)) >= RIDGE_FROM_ROWS
    for coefficients in learned.coefficients:
        if day is None:
            more = _rolling_product(ahead.features, coefficients)
        else:
            more = ahead.features @ coefficients[day]
        out.append(np.where(enough, damped + more, np.nan))
    if learned.told is not None:
        out.append(_told(learned.told, ahead, damped, out[len(SIMPLE) + TOLD_LIKE], day))
    seen = made.grid.seen[-rows:, None, None]
    return np.where(seen, np.stack(out, axis=1), np.nan)


def _told(
    coefficients: Floats, ahead: Ahead, damped: Floats, otherwise: Floats, day: int | None
) -> Floats:
    told = np.full((damped.shape[0], 4), np.nan) if ahead.told is None else ahead.told
    features = _with_told(ahead.features, told)
    own = _rolling_product if day is None else (lambda x, fits: x @ fits[day])
    more = own(features, coefficients)
    return np.where(np.isfinite(more), damped + more, otherwise)


def _by_row(per_day: Floats, rows: int) -> Floats:
    """Repeat what was fitted at the start of each day over that day's hours."""
    return np.repeat(per_day[: -(-rows // 24)], 24, axis=0)[:rows]


def _rolling_product(features: Floats, coefficients: Floats) -> Floats:
    rows, p = features.shape
    days = -(-rows // 24)
    padded = np.zeros((days * 24, p))
    padded[:rows] = features
    product = np.matmul(padded.reshape(days, 24, p), coefficients[:days])
    return np.asarray(product.reshape(days * 24, -1)[:rows])
