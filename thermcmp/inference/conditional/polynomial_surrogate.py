"""A polynomial surrogate of an expensive log density near its mode.

Values and gradients at a few dozen points determine a polynomial in whitened coordinates. It
only proposes points, each of which is weighted by the density, so an error of the polynomial
costs efficiency but no accuracy.
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
#: Spread of the points in standard deviations of the local normal.
_WIDTH: Final = 1.8
#: Values and slopes per coefficient of the polynomial.
_SURPLUS: Final = 2.0
#: Ridge penalty on coefficients that the points hardly determine.
_RIDGE: Final = 1e-4


@dataclass(frozen=True, slots=True, eq=False)
class _Samples:
    """Log density minus the local normal at N points."""

    u: Array  #: whitened coordinates, shape (N, d)
    excess: Array  #: log density minus its value at the mode and minus the normal's, shape (N,)
    slope: Array  #: gradient of `excess`, shape (N, d)

    def joined(self, other: _Samples) -> _Samples:
        """Return both together."""
        return _Samples(
            np.vstack([self.u, other.u]),
            np.concatenate([self.excess, other.excess]),
            np.vstack([self.slope, other.slope]),
        )


@dataclass(frozen=True, slots=True, eq=False)
class Surrogate:
    """Log density as a normal at the mode plus a polynomial of K monomials in d dimensions."""

    mode: Array  #: shape (d,)
    factor: Array  #: lower Cholesky factor of the normal's covariance, shape (d, d)
    top: float  #: log density at the mode
    samples: _Samples  #: fitted points; the polynomial is clipped to their range
    powers: IntArray  #: exponents of each monomial in u = factor⁻¹ (z - mode), shape (K, d)
    coefficients: Array  #: shape (K,)

    def log_density(self, z: Array) -> Array:
        """Return the log density up to a constant, shape (N,), at `z`, shape (N, d)."""
        u = self.whitened(z)
        excess = _monomials(u, self.powers) @ self.coefficients
        excess = np.clip(excess, self.samples.excess.min(), self.samples.excess.max())
        return np.asarray(excess - 0.5 * np.sum(u**2, axis=1))

    def whitened(self, z: Array) -> Array:
        """Return the coordinates u of `z`, both of shape (N, d)."""
        from scipy.linalg import solve_triangular

        return np.asarray(solve_triangular(self.factor, (z - self.mode).T, lower=True).T)

    def refitted(self, value_and_gradient: Evaluation, z: Array) -> Surrogate:
        """Return the polynomial refitted with the most extreme of its draws `z`, shape (N, d).

        With a long tail its draws lie beyond the first points.
        """
        u = self.whitened(z)
        ends = np.unique(np.concatenate([u.argmin(axis=0), u.argmax(axis=0)]))
        value, slope = value_and_gradient(z[ends])
        more = _samples(u[ends], value - self.top, slope @ self.factor)
        return _fitted(self.mode, self.factor, self.top, self.samples.joined(more))


def fit_surrogate(
    value_and_gradient: Evaluation, mode: Array, factor: Array, rng: np.random.Generator
) -> Surrogate:
    """Return the surrogate fitted at points around the mode (d,), with its factor (d, d)."""
    d = len(mode)
    count = int(np.ceil(_SURPLUS * len(_powers(d)) / (d + 1)))
    # Pairs on either side of the mode separate odd terms from even ones.
    half = _WIDTH * rng.standard_normal((-(-count // 2), d))
    u = np.vstack([np.zeros((1, d)), half, -half])
    value, slope = value_and_gradient(mode + u @ factor.T)
    top = float(value[0])
    return _fitted(mode, factor, top, _samples(u, value - top, slope @ factor))


def _samples(u: Array, value: Array, slope: Array) -> _Samples:
    """Return the points with finite value and slope, the normal subtracted."""
    excess, excess_slope = value + 0.5 * np.sum(u**2, axis=1), slope + u
    usable = np.isfinite(excess) & np.isfinite(excess_slope).all(axis=1)
    return _Samples(u[usable], excess[usable], excess_slope[usable])


def _fitted(mode: Array, factor: Array, top: float, samples: _Samples) -> Surrogate:
    """Return the least-squares fit to values and slopes."""
    u, powers = samples.u, _powers(len(mode))
    # Distant points matter less: few draws will lie there.
    weight = np.exp(-0.25 * np.sum(u**2, axis=1) / _WIDTH**2)
    rows, right = [_monomials(u, powers) * weight[:, None]], [samples.excess * weight]
    for k in range(len(mode)):
        lower = powers.copy()
        lower[:, k] = np.maximum(lower[:, k] - 1, 0)
        rows.append(powers[:, k] * _monomials(u, lower) * weight[:, None])
        right.append(samples.slope[:, k] * weight)
    a, b = np.vstack(rows), np.concatenate(right)
    normal = a.T @ a + _RIDGE * np.eye(len(powers))
    return Surrogate(mode, factor, top, samples, powers, np.linalg.solve(normal, a.T @ b))


def _powers(d: int) -> IntArray:
    """Return the exponents of all monomials up to third order, and of u_i² u_j²."""
    monomials: list[tuple[int, ...]] = []
    for order in (1, 2, 3):
        monomials += list(combinations_with_replacement(range(d), order))
    monomials += [(i, i, j, j) for i, j in combinations_with_replacement(range(d), 2)]
    powers = np.zeros((len(monomials), d), np.intp)
    for place, factors in enumerate(monomials):
        np.add.at(powers[place], list(factors), 1)
    return powers


def _monomials(u: Array, powers: IntArray) -> Array:
    return np.asarray(np.prod(u[:, None, :] ** powers[None], axis=2))
