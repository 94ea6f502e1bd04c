"""Polar coordinates of spreads of which rows show the common total alone.

Where each cooler stands on a board of its own, rows show the sum of squares of both spreads, and
the posterior of the two is a thin arc. In polar coordinates

    s_1 = r cos θ_1,    s_2 = r sin θ_1 cos θ_2,    …,    s_k = r sin θ_1 … sin θ_{k-1}

it is narrow in r and wide in the angles. The k coordinates are log r and the normal quantiles of
2θ/π, which for two half-normal priors of one scale are standard normal (Jacobian: Muller,
Communications of the ACM 2 (4) (1959) 19-20, has the uniform direction of normal draws).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from thermcmp._types import Array, IntArray
from thermcmp.inference.conditional.problem import GaussianProblem
from thermcmp.model.priors import LOG_SQRT_2PI, Prior

#: Levels from which on the arc is too thin for a few normal components (a choice).
MANY_LEVELS: Final = 40
#: Least agreement of two spreads' parts of the rows' covariance, 1 where they are equal (a choice).
ALIKE: Final = 0.9
#: Least spread [K], and least distance of an angle from either end, in right angles.
_LEAST: Final = 1e-12


@dataclass(frozen=True, slots=True)
class SharedSpread:
    """Coordinates of k spreads that rows show as one."""

    columns: IntArray  #: their places among the d coordinates of the priors, shape (k,)
    priors: tuple[Prior, ...]
    weights: Array  #: factors of the spreads in the rows, shape (k,)

    def forward(self, x: Array) -> tuple[Array, Array]:
        """Return draws (N, d) with the columns in polar coordinates, and the log Jacobian (N,)."""
        from scipy.special import ndtri

        z = x[:, self.columns]
        spread = np.stack([p.from_standard(z[:, i]) for i, p in enumerate(self.priors)], axis=1)
        spread = self.weights * np.maximum(spread, _LEAST)
        steep = np.stack([p.derivative(z[:, i]) for i, p in enumerate(self.priors)], axis=1)
        # What is left of the radius after each spread; the last has no angle of its own.
        left = np.sqrt(np.cumsum(spread[:, ::-1] ** 2, axis=1)[:, ::-1])
        angle = np.arctan2(left[:, 1:], spread[:, :-1])
        share = np.clip(angle / (0.5 * np.pi), _LEAST, 1.0 - _LEAST)
        y = x.copy()
        y[:, self.columns] = np.column_stack([np.log(left[:, 0]), ndtri(share)])
        return y, self._log_jacobian(y, left, np.log(np.maximum(steep, 1e-300)))

    def inverse(self, y: Array) -> Array:
        """Return the draws mapped back, shape (N, d)."""
        from scipy.special import ndtr

        own = y[:, self.columns]
        angle = 0.5 * np.pi * ndtr(own[:, 1:])
        left = np.exp(own[:, :1]) * np.cumprod(np.column_stack([np.ones(len(y)), np.sin(angle)]), 1)
        spread = np.column_stack([left[:, :-1] * np.cos(angle), left[:, -1]]) / self.weights
        x = y.copy()
        for place, column in enumerate(self.columns):
            x[:, column] = self.priors[place].to_standard(np.maximum(spread[:, place], _LEAST))
        return x

    def _log_jacobian(self, y: Array, left: Array, log_steep: Array) -> Array:
        """Return the log determinant of the polar coordinates' derivatives by x, shape (N,)."""
        # ds = r^(k-1) Π sin^(k-1-i) θ_i dr dθ = Π left_i for i < k, dr dθ
        quantiles = y[:, self.columns[1:]]
        log_density = -0.5 * quantiles**2 - LOG_SQRT_2PI + np.log(0.5 * np.pi)
        by_s = np.log(left[:, 0]) + np.sum(np.log(left[:, :-1]) + log_density, axis=1)
        return np.asarray(np.sum(log_steep + np.log(self.weights), axis=1) - by_s)


def shared_spreads(problem: GaussianProblem, priors: Sequence[Prior]) -> tuple[SharedSpread, ...]:
    """Return the spreads of many levels that rows show as one, by the priors of all parameters.

    Two spreads agree by the cosine between their parts Z Z' of the rows' covariance. The scatter
    from run to run is one of them: specimens that were run once each show its sum with theirs.
    """
    from scipy.sparse import csr_array, diags_array

    if problem.links:
        return ()
    first, values = 0, problem.values
    if problem.airflow is not None:
        first, middle = problem.sets, priors[0].from_standard(np.zeros((1, 1)))
        values = np.where(problem.flow, values * problem.airflow(middle), values)
    rows = np.broadcast_to(np.arange(len(values))[:, None], values.shape)
    shape = len(values), problem.effect_count
    entries = csr_array((values.ravel(), (rows.ravel(), problem.columns.ravel())), shape).tocsc()
    levels = {k: entries[:, problem.scale_of == k] for k in set(problem.scale_of.tolist()) - {-1}}
    spreads = len(problem.spreads) - problem.sets
    for place in range(problem.sets):
        of_set = problem.set_of == place if problem.set_of is not None else True
        levels[spreads + place] = diags_array(np.sqrt(problem.run_scatter) * of_set).tocsc()
    free = [k for k, z in levels.items() if np.count_nonzero(abs(z).sum(axis=0)) >= MANY_LEVELS]

    def shared(i: int, j: int) -> float:
        return float(np.square((levels[i].T @ levels[j]).data).sum())

    size = {k: np.sqrt(shared(k, k)) for k in free}
    found = []
    while free:
        one = free[0]
        alike = [k for k in free if shared(one, k) >= ALIKE * size[one] * size[k]]
        free = [k for k in free if k not in alike]
        if len(alike) > 1:
            columns = first + np.array(alike)
            weights = np.sqrt([size[k] / size[one] for k in alike])
            found.append(SharedSpread(columns, tuple(priors[c] for c in columns), weights))
    return tuple(found)
