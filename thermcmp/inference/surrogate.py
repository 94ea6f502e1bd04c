"""A polynomial that stands in for a dear log density near its mode.

Where one evaluation takes long, the density is followed by few of them: values and
gradients at some dozens of points fix a polynomial in the mode's own coordinates. It
serves to propose points; each is then weighted by the density itself, so an error of the
polynomial costs efficiency and no accuracy.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import combinations_with_replacement
from typing import Final

import numpy as np
from numpy.typing import NDArray

from thermcmp.model.priors import Array

#: Standard deviations that the points lie out, in the local normal's own.
_WIDTH: Final = 1.8
#: Numbers (values and slopes) per coefficient of the polynomial.
_SURPLUS: Final = 2.0
#: Pull of the coefficients to zero, against points that hardly fix them.
_RIDGE: Final = 1e-4


@dataclass(frozen=True, slots=True, eq=False)
class Surrogate:
    """Log density = normal at the mode plus a polynomial.

    Attributes
    ----------
    mode : ndarray, shape (d,)
        Where it is centred.
    factor : ndarray, shape (d, d)
        Lower Cholesky factor of the normal's covariance.
    powers : ndarray of int, shape (K, d)
        Exponents of each monomial in the coordinates u = factor⁻¹ (z - mode).
    coefficients : ndarray, shape (K,)
        Their coefficients.
    lowest, highest : float
        Range of the polynomial at the points that it was fitted to; it is followed
        no further.
    """

    mode: Array
    factor: Array
    powers: NDArray[np.intp]
    coefficients: Array
    lowest: float
    highest: float

    def log_density(self, z: Array) -> Array:
        """Log density up to a constant, shape (N,), at `z`, shape (N, d)."""
        from scipy.linalg import solve_triangular

        u = solve_triangular(self.factor, (z - self.mode).T, lower=True).T
        bend = np.clip(_monomials(u, self.powers) @ self.coefficients, self.lowest, self.highest)
        return np.asarray(bend - 0.5 * np.sum(u**2, axis=1))


def fit_surrogate(
    value_and_gradient: Callable[[Array], tuple[Array, Array]],
    mode: Array,
    factor: Array,
    rng: np.random.Generator,
) -> Surrogate:
    """Fit the polynomial to values and gradients at points around the mode.

    Parameters
    ----------
    value_and_gradient : callable
        Log density, shape (N,), and its gradient, shape (N, d), at points (N, d).
    mode : ndarray, shape (d,)
        The mode.
    factor : ndarray, shape (d, d)
        Lower Cholesky factor of the local covariance.
    rng : numpy.random.Generator
        Draws the points.

    Returns
    -------
    Surrogate
        All terms up to third order, and those of fourth order in one or two squares.
    """
    d = len(mode)
    powers = _powers(d)
    count = int(np.ceil(_SURPLUS * len(powers) / (d + 1)))
    # Pairs on either side of the mode tell odd terms from even ones.
    half = _WIDTH * rng.standard_normal((-(-count // 2), d))
    u = np.vstack([np.zeros((1, d)), half, -half])
    value, slope = value_and_gradient(mode + u @ factor.T)
    bend = value - value[0] + 0.5 * np.sum(u**2, axis=1)
    bend_slope = slope @ factor + u
    usable = np.isfinite(bend) & np.isfinite(bend_slope).all(axis=1)
    u, bend, bend_slope = u[usable], bend[usable], bend_slope[usable]
    # Points far out matter less: few draws will lie there.
    weight = np.exp(-0.25 * np.sum(u**2, axis=1) / _WIDTH**2)
    rows = [_monomials(u, powers) * weight[:, None]]
    right = [bend * weight]
    for k in range(d):
        rows.append(_monomial_slopes(u, powers, k) * weight[:, None])
        right.append(bend_slope[:, k] * weight)
    a, b = np.vstack(rows), np.concatenate(right)
    normal = a.T @ a + _RIDGE * np.eye(len(powers))
    coefficients = np.linalg.solve(normal, a.T @ b)
    return Surrogate(mode, factor, powers, coefficients, float(bend.min()), float(bend.max()))


def _powers(d: int) -> NDArray[np.intp]:
    """Exponents of all monomials up to third order, and of u_i² u_j²."""
    found = []
    for order in (1, 2, 3):
        found += list(combinations_with_replacement(range(d), order))
    found += [(i, i, j, j) for i, j in combinations_with_replacement(range(d), 2)]
    powers = np.zeros((len(found), d), np.intp)
    for place, chosen in enumerate(found):
        np.add.at(powers[place], list(chosen), 1)
    return powers


def _monomials(u: Array, powers: NDArray[np.intp]) -> Array:
    return np.asarray(np.prod(u[:, None, :] ** powers[None], axis=2))


def _monomial_slopes(u: Array, powers: NDArray[np.intp], k: int) -> Array:
    """Derivatives of the monomials along coordinate k."""
    lower = powers.copy()
    lower[:, k] = np.maximum(lower[:, k] - 1, 0)
    return powers[:, k] * _monomials(u, lower)
