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

from thermcmp._types import Array, IntArray

#: Log density, shape (N,), and its gradient, shape (N, d), at points (N, d).
Evaluation = Callable[[Array], tuple[Array, Array]]
#: Standard deviations that the points lie out, in the local normal's own.
_WIDTH: Final = 1.8
#: Numbers (values and slopes) per coefficient of the polynomial.
_SURPLUS: Final = 2.0
#: Pull of the coefficients to zero, against points that hardly fix them.
_RIDGE: Final = 1e-4


@dataclass(frozen=True, slots=True, eq=False)
class _Looked:
    """What was seen at N points, in the coordinates u, beyond the local normal.

    Attributes
    ----------
    u, slope : ndarray, shape (N, d)
        The points, and the slope of the rest there.
    bend : ndarray, shape (N,)
        Log density less that at the mode and less the normal's.
    """

    u: Array
    bend: Array
    slope: Array

    def and_more(self, other: _Looked) -> _Looked:
        """Both together."""
        return _Looked(
            np.vstack([self.u, other.u]),
            np.concatenate([self.bend, other.bend]),
            np.vstack([self.slope, other.slope]),
        )


@dataclass(frozen=True, slots=True, eq=False)
class Surrogate:
    """Log density = normal at the mode plus a polynomial.

    Attributes
    ----------
    mode : ndarray, shape (d,)
        Where it is centred.
    factor : ndarray, shape (d, d)
        Lower Cholesky factor of the normal's covariance.
    top : float
        Log density at the mode.
    looked : _Looked
        What it was fitted to; it is followed no further than the range seen there.
    powers : ndarray of int, shape (K, d)
        Exponents of each monomial in the coordinates u = factor⁻¹ (z - mode).
    coefficients : ndarray, shape (K,)
        Their coefficients.
    """

    mode: Array
    factor: Array
    top: float
    looked: _Looked
    powers: IntArray
    coefficients: Array

    def log_density(self, z: Array) -> Array:
        """Log density up to a constant, shape (N,), at `z`, shape (N, d)."""
        u = self.whitened(z)
        bend = _monomials(u, self.powers) @ self.coefficients
        bend = np.clip(bend, self.looked.bend.min(), self.looked.bend.max())
        return np.asarray(bend - 0.5 * np.sum(u**2, axis=1))

    def whitened(self, z: Array) -> Array:
        """The coordinates u of `z`, both of shape (N, d)."""
        from scipy.linalg import solve_triangular

        return np.asarray(solve_triangular(self.factor, (z - self.mode).T, lower=True).T)

    def refitted(self, value_and_gradient: Evaluation, z: Array) -> Surrogate:
        """The polynomial fitted anew, also to the furthest of its own draws `z`, (N, d).

        Its draws lie beyond the first points where the density has a long tail.
        """
        u = self.whitened(z)
        ends = np.unique(np.concatenate([u.argmin(axis=0), u.argmax(axis=0)]))
        value, slope = value_and_gradient(z[ends])
        more = _looked(u[ends], value - self.top, slope @ self.factor)
        return _fitted(self.mode, self.factor, self.top, self.looked.and_more(more))


def fit_surrogate(
    value_and_gradient: Evaluation, mode: Array, factor: Array, rng: np.random.Generator
) -> Surrogate:
    """Fit the polynomial to values and gradients at points around the mode.

    Shapes: mode (d,), factor (d, d).
    """
    d = len(mode)
    count = int(np.ceil(_SURPLUS * len(_powers(d)) / (d + 1)))
    # Pairs on either side of the mode tell odd terms from even ones.
    half = _WIDTH * rng.standard_normal((-(-count // 2), d))
    u = np.vstack([np.zeros((1, d)), half, -half])
    value, slope = value_and_gradient(mode + u @ factor.T)
    top = float(value[0])
    return _fitted(mode, factor, top, _looked(u, value - top, slope @ factor))


def _looked(u: Array, value: Array, slope: Array) -> _Looked:
    """Points where value and slope are known, with the normal taken off."""
    bend, bend_slope = value + 0.5 * np.sum(u**2, axis=1), slope + u
    usable = np.isfinite(bend) & np.isfinite(bend_slope).all(axis=1)
    return _Looked(u[usable], bend[usable], bend_slope[usable])


def _fitted(mode: Array, factor: Array, top: float, looked: _Looked) -> Surrogate:
    """Least squares over values and slopes."""
    u, powers = looked.u, _powers(len(mode))
    # Points far out matter less: few draws will lie there.
    weight = np.exp(-0.25 * np.sum(u**2, axis=1) / _WIDTH**2)
    rows, right = [_monomials(u, powers) * weight[:, None]], [looked.bend * weight]
    for k in range(len(mode)):
        rows.append(_monomial_slopes(u, powers, k) * weight[:, None])
        right.append(looked.slope[:, k] * weight)
    a, b = np.vstack(rows), np.concatenate(right)
    normal = a.T @ a + _RIDGE * np.eye(len(powers))
    return Surrogate(mode, factor, top, looked, powers, np.linalg.solve(normal, a.T @ b))


def _powers(d: int) -> IntArray:
    """Exponents of all monomials up to third order, and of u_i² u_j²."""
    found = []
    for order in (1, 2, 3):
        found += list(combinations_with_replacement(range(d), order))
    found += [(i, i, j, j) for i, j in combinations_with_replacement(range(d), 2)]
    powers = np.zeros((len(found), d), np.intp)
    for place, chosen in enumerate(found):
        np.add.at(powers[place], list(chosen), 1)
    return powers


def _monomials(u: Array, powers: IntArray) -> Array:
    return np.asarray(np.prod(u[:, None, :] ** powers[None], axis=2))


def _monomial_slopes(u: Array, powers: IntArray, k: int) -> Array:
    """Derivatives of the monomials along coordinate k."""
    lower = powers.copy()
    lower[:, k] = np.maximum(lower[:, k] - 1, 0)
    return powers[:, k] * _monomials(u, lower)
