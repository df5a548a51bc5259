"""Activity coefficients of a liquid mixture by UNIFAC, the group-contribution method.

Original UNIFAC for vapour-liquid equilibrium: Fredenslund, Jones and Prausnitz, AIChE J. 21 (1975)
1086; parameters as `solvents.UNIFAC_TABLE` names them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from service.science._checks import FloatArray, within
from service.science.constants import ZERO_CELSIUS_K
from service.science.solvents import UNIFAC_TABLE, get

__all__ = ["Unifac", "activity_coefficients", "unifac_of"]

_HALF_COORDINATION = 5.0  # half of z = 10


@dataclass(frozen=True, eq=False)
class Unifac:
    """Group tables of S species made of G groups.

    Attributes
    ----------
    counts : array (S, G)
        How many of each group a molecule holds.
    group_surface : array (G,)
        Q of each group.
    volume, surface : array (S,)
        r and q of each molecule; `size` (S, 2) holds both.
    interaction_k : array (G, G)
        a_mn of the main groups, K; zero where the pair was never fitted.
    """

    counts: FloatArray
    group_surface: FloatArray
    volume: FloatArray
    surface: FloatArray
    size: FloatArray
    interaction_k: FloatArray

    def psi(self, kelvin: float | FloatArray) -> FloatArray:
        """Interaction factors exp(-a/T): (G, G), or (N, G, G) for N temperatures."""
        return np.asarray(np.exp(-self.interaction_k / np.asarray(kelvin)[..., None, None]))

    def pure(self, psi: FloatArray) -> FloatArray:
        """Residual part of each group in each pure species, summed up: (..., S)."""
        log_group = self._log_group(self.counts * self.group_surface, psi[..., None, :, :])
        return np.asarray((self.counts * log_group).sum(axis=-1))

    def log_coefficients(self, x: FloatArray, psi: FloatArray, pure: FloatArray) -> FloatArray:
        """Logarithm of the activity coefficients: (N, S) for mole fractions (N, S)."""
        surfaces = (x @ self.counts) * self.group_surface
        residual = self._log_group(surfaces, psi) @ self.counts.T - pure
        return np.asarray(self._combinatorial(x) + residual)

    def log_coefficients_between(
        self, x: FloatArray, pair: FloatArray, pure_pair: FloatArray, weight: FloatArray
    ) -> FloatArray:
        """`log_coefficients` interpolated between two temperatures, far faster.

        `pair` (2, G, G) and `pure_pair` (2, S) are those of the two; `weight` (N, 1) is 0 at the
        first and 1 at the second.
        """
        surfaces = (x @ self.counts) * self.group_surface
        theta = surfaces / (x @ self.surface)[:, None]
        mixed = theta @ pair
        part = np.log(mixed) + (theta / mixed) @ pair.transpose(0, 2, 1)
        blended = part[0] + weight * (part[1] - part[0])
        pure = pure_pair[0] + weight * (pure_pair[1] - pure_pair[0])
        residual = (self.group_surface * (1.0 - blended)) @ self.counts.T - pure
        return np.asarray(self._combinatorial(x) + residual)

    def _combinatorial(self, x: FloatArray) -> FloatArray:
        mean = x @ self.size
        ratio_v = self.volume / mean[:, :1]
        ratio_f = ratio_v * (mean[:, 1:] / self.surface)
        by_shape = 1.0 - ratio_f + np.log(ratio_f)
        return np.asarray(
            1.0 - ratio_v + np.log(ratio_v) - (_HALF_COORDINATION * self.surface) * by_shape
        )

    def _log_group(self, surfaces: FloatArray, psi: FloatArray) -> FloatArray:
        """Residual activity of each group, (..., G), for the surface that each group shows."""
        theta = surfaces / surfaces.sum(axis=-1, keepdims=True)
        mixed = (theta[..., None, :] @ psi)[..., 0, :]
        shared = (psi @ (theta / mixed)[..., None])[..., 0]
        return np.asarray(self.group_surface * (1.0 - np.log(mixed) - shared))


@lru_cache(maxsize=256)
def unifac_of(names: tuple[str, ...]) -> Unifac:
    """Gather the group tables of some solvents."""
    species = [get(name) for name in names]
    used = sorted({group for one in species for group in one.groups})
    by_id = {row["id"]: row for row in UNIFAC_TABLE["subgroups"]}
    between = {(a, b): value for a, b, value in UNIFAC_TABLE["interactions_k"]}
    main = [by_id[group]["main"] for group in used]
    counts = np.array([[float(one.groups.get(group, 0)) for group in used] for one in species])
    q = np.array([float(by_id[group]["q"]) for group in used])
    r = np.array([float(by_id[group]["r"]) for group in used])
    interaction = np.array([[float(between.get((a, b), 0.0)) for b in main] for a in main])
    size = counts @ np.stack([r, q], axis=1)
    return Unifac(counts, q, counts @ r, counts @ q, size, interaction)


def activity_coefficients(
    solvents: Sequence[str], mole_fractions: Sequence[float] | FloatArray, temperature_c: float
) -> FloatArray:
    """Activity coefficients of a mixture (pure liquid at the same temperature: 1).

    Parameters
    ----------
    solvents : sequence of str
        Names in `solvents.SOLVENTS`.
    mole_fractions : array (S,) or (N, S)
        Of each; every row must add up to 1.
    temperature_c : float
        -60 to 120 °C.

    Returns
    -------
    array
        In the shape of `mole_fractions`.

    Raises
    ------
    ValueError
        For an unknown solvent, or fractions that do not match or do not add up to 1 within 1e-6.
    """
    x = within("mole_fractions", mole_fractions, 0.0, 1.0)
    kelvin = within("temperature_c", temperature_c, -60.0, 120.0, "°C") + ZERO_CELSIUS_K
    if x.ndim not in {1, 2} or x.shape[-1] != len(solvents):
        msg = f"mole_fractions must have {len(solvents)} columns, one a solvent, got {x.shape}"
        raise ValueError(msg)
    if not np.allclose(x.sum(axis=-1), 1.0, rtol=0.0, atol=1e-6):
        msg = "mole_fractions must add up to 1"
        raise ValueError(msg)
    tables = unifac_of(tuple(solvents))
    psi = tables.psi(float(kelvin))
    log_gamma = tables.log_coefficients(np.atleast_2d(x), psi, tables.pure(psi))
    return np.asarray(np.exp(log_gamma).reshape(x.shape))
