"""The blend's weights against a solver that is not ours."""

from __future__ import annotations

import numpy as np
from scipy.optimize import minimize

from service.shop.outlook.blend import LEANING, LEANING_ROWS, weights_by_day
from service.shop.outlook.candidates import NAMES, SIMPLE

ROWS = 60 * 24


def points_with_errors(sizes: list[float], seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Candidates whose errors have the sizes told, partly shared; the truth is zero."""
    rng = np.random.default_rng(seed)
    shared = rng.standard_normal((ROWS, 1, 2))
    own = rng.standard_normal((ROWS, len(sizes), 2))
    error = (0.6 * shared + 0.8 * own) * np.array(sizes)[None, :, None]
    return error, np.zeros((ROWS, 2))


def best_weights(points: np.ndarray) -> np.ndarray:
    """The same problem for air temperature by SLSQP (SciPy)."""
    known = points[1:ROWS, :, 0]  # one hour ahead, all but the newest rows are known
    square = known.T @ known / known.shape[0]
    square = square / np.diag(square).min()
    even = np.zeros(len(NAMES))
    even[len(SIMPLE) - 1 :] = 1.0 / (len(NAMES) - len(SIMPLE) + 1)
    pull = LEANING + LEANING_ROWS / known.shape[0]
    found = minimize(
        lambda w: 0.5 * w @ square @ w + 0.5 * pull * np.sum((w - even) ** 2),
        np.full(len(NAMES), 1.0 / len(NAMES)),
        jac=lambda w: square @ w + pull * (w - even),
        bounds=[(0.0, 1.0)] * len(NAMES),
        constraints={"type": "eq", "fun": lambda w: w.sum() - 1.0},
        method="SLSQP",
    )
    assert found.success
    return np.asarray(found.x)


def test_weights_are_those_that_make_the_error_smallest() -> None:
    points, target = points_with_errors([1.3, 1.5, 1.2, 1.0, 1.0, 1.1, 1.4], seed=1)
    got = weights_by_day(points, target, 1)[-1, 0]
    # 100 steps of a first-order method leave a few hundredths.
    assert np.abs(got - best_weights(points)).max() < 0.04
    assert abs(got.sum() - 1.0) < 1e-9


def test_hopeless_candidates_do_not_spoil_the_others() -> None:
    """A steady room: yesterday and climatology err twenty times as much as the rest."""
    points, target = points_with_errors([4.0, 20.0, 30.0, 1.0, 1.0, 1.0, 1.0], seed=2)
    got = weights_by_day(points, target, 1)[-1, 0]
    assert np.all(got[:3] < 1e-6)
    assert np.abs(got - best_weights(points)).max() < 0.04
    blend = np.sqrt(np.mean((points[:, :, 0] @ got) ** 2))
    alone = np.sqrt(np.mean(points[:, 3, 0] ** 2))
    assert blend < alone
