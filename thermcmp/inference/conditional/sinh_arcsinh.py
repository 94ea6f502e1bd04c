"""A smooth map that makes skewed draws nearly normal.

Sinh-arcsinh map of Jones & Pewsey, Biometrika 96 (2009) 761-780, one per coordinate, after
spreads that rows show as one are put in polar coordinates:

    y = sinh( δ · asinh((x - ξ)/η) - ε )
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from thermcmp._types import Array
from thermcmp.inference.conditional.shared_spreads import SharedSpread

#: Bounds of log η, ε and log δ: mild maps only, so that a few draws cannot distort the tails.
BOUNDS: Final = ((-3.5, 1.0), (-1.2, 1.2), (-0.5, 0.4))
#: Draws to which a map is fitted.
FITTED: Final = 800


@dataclass(frozen=True, slots=True)
class Warp:
    """The map of d coordinates."""

    location: Array  #: ξ, shape (d,)
    scale: Array  #: η
    skew: Array  #: ε
    tail: Array  #: δ
    shared: tuple[SharedSpread, ...] = ()  #: spreads that are put in polar coordinates before

    @classmethod
    def none(cls, d: int) -> Warp:
        """Return the identity in d coordinates."""
        return cls(np.zeros(d), np.ones(d), np.zeros(d), np.ones(d))

    def forward(self, x: Array) -> tuple[Array, Array]:
        """Return mapped draws, shape (N, d), and the log Jacobian, shape (N,)."""
        x, before = _polar(x, self.shared)
        t = (x - self.location) / self.scale
        inner = self.tail * np.arcsinh(t) - self.skew
        size = np.abs(inner)
        log_cosh = size + np.log1p(np.exp(-2.0 * size)) - np.log(2.0)
        slope = np.log(self.tail / self.scale) + log_cosh - 0.5 * np.log1p(t**2)
        return np.sinh(inner), before + np.sum(slope, axis=1)

    def inverse(self, y: Array) -> Array:
        """Return the draws mapped back, shape (N, d)."""
        x = self.location + self.scale * np.sinh((np.arcsinh(y) + self.skew) / self.tail)
        for spreads in self.shared:
            x = spreads.inverse(x)
        return x


def _polar(x: Array, shared: Sequence[SharedSpread]) -> tuple[Array, Array]:
    """Return draws (N, d) with shared spreads in polar coordinates, and the log Jacobian (N,)."""
    total = np.zeros(len(x))
    for spreads in shared:
        x, jacobian = spreads.forward(x)
        total = total + jacobian
    return x, total


def fit_warp(x: Array, weights: Array, shared: tuple[SharedSpread, ...] = ()) -> Warp:
    """Return the map that brings weighted draws (N, d) closest to a standard normal."""
    # The map is mild, so this many evenly picked draws of equal weight determine it.
    grid = (np.arange(FITTED) + 0.5) / FITTED
    picked = x[np.searchsorted(np.cumsum(weights), grid * (1.0 - 1e-12))]
    equal = np.full(FITTED, 1.0 / FITTED)
    columns = _polar(picked, shared)[0].T
    location, scale, skew, tail = np.array([_fit_coordinate(each, equal) for each in columns]).T
    return Warp(location, scale, skew, tail, shared)


def _fit_coordinate(x: Array, weights: Array) -> tuple[float, float, float, float]:
    from scipy.optimize import minimize

    mean = float(weights @ x)
    size = float(np.sqrt(weights @ (x - mean) ** 2))

    def loss(p: Array) -> tuple[float, Array]:
        scale, tail = np.exp(p[1]), np.exp(p[3])
        t = (x - p[0]) / scale
        bent = np.arcsinh(t)
        inner = tail * bent - p[2]
        y, root = np.sinh(inner), np.sqrt(1.0 + t**2)
        steep = np.cosh(inner)
        value = weights @ (0.5 * y**2 - np.log(steep) + np.log(root)) - p[3] + p[1]
        pull = weights * (y * steep - y / steep)
        along = pull * tail / root + weights * t / root**2
        slope = [-np.sum(along) / scale, 1.0 - along @ t, -np.sum(pull), tail * (pull @ bent) - 1.0]
        return float(value), np.array(slope)

    start = np.array([mean, np.log(max(size, 0.05)), 0.0, 0.0])
    optimum = minimize(
        loss,
        start,
        jac=True,
        method="L-BFGS-B",
        bounds=[(mean - 3 * size, mean + 3 * size), *BOUNDS],
        options={"maxiter": 40},
    )
    p = optimum.x if np.isfinite(optimum.fun) and optimum.fun <= loss(start)[0] else start
    return float(p[0]), float(np.exp(p[1])), float(p[2]), float(np.exp(p[3]))
