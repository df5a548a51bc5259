"""The exact step against a general solver that is not ours."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.linalg import expm

from sensors.linear import advance


def system(seed: int, n: int, size: float):
    random = np.random.default_rng(seed)
    rates = random.normal(size=(n, n)) * size
    rates -= np.eye(n) * np.abs(rates).sum(axis=1).max()
    return rates, random.normal(size=n), random.normal(size=n)


@pytest.mark.parametrize("n", [1, 2, 6])
@pytest.mark.parametrize("size", [1e-6, 0.01, 1.0, 50.0])
def test_step_and_integral_agree_with_scipys_matrix_exponential(n: int, size: float) -> None:
    rates, drive, state = system(n, n, size)
    step = 1.3
    # Van Loan (1978): one exponential of an augmented matrix gives the state and its integral.
    whole = np.zeros((2 * n + 1, 2 * n + 1))
    whole[:n, :n], whole[:n, -1], whole[n : 2 * n, :n] = rates, drive, np.eye(n)
    expected = expm(whole * step) @ np.concatenate([state, np.zeros(n), [1.0]])
    end, integral = advance(rates, drive, state, step)
    # Both are exact to rounding; 1e-12 leaves room for the condition of the matrices.
    np.testing.assert_allclose(end, expected[:n], rtol=1e-12, atol=1e-12)
    np.testing.assert_allclose(integral, expected[n : 2 * n], rtol=1e-12, atol=1e-12)


def test_a_stiff_system_agrees_with_scipys_radau() -> None:
    rates, drive, state = system(9, 4, 3.0)
    answer = solve_ivp(
        lambda _t, x: rates @ x + drive, (0, 0.7), state, method="Radau", rtol=1e-10, atol=1e-12
    )
    end, _ = advance(rates, drive, state, 0.7)
    np.testing.assert_allclose(end, answer.y[:, -1], rtol=1e-7, atol=1e-9)  # the solver's own error


def test_one_way_coupling_that_has_no_full_set_of_eigenvectors() -> None:
    # x' = -x, y' = x - y from (1, 0): y = t exp(-t), a textbook double root.
    rates = np.array([[-1.0, 0.0], [1.0, -1.0]])
    end, integral = advance(rates, np.zeros(2), np.array([1.0, 0.0]), 2.0)
    assert end == pytest.approx([np.exp(-2), 2 * np.exp(-2)], rel=1e-13)
    assert integral == pytest.approx([1 - np.exp(-2), 1 - 3 * np.exp(-2)], rel=1e-13)


def test_nothing_happening_stays_and_adds_up() -> None:
    end, integral = advance(np.zeros((2, 2)), np.zeros(2), np.array([3.0, 4.0]), 10.0)
    assert end.tolist() == [3.0, 4.0]
    assert integral.tolist() == [30.0, 40.0]
