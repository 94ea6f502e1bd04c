"""Exact algebra of the linear Gaussian problem, for many parameter points at once.

With b = b0 + Λu, u of unit prior variance (flat effects: none), and
M = Λ WᵀV⁻¹W Λ + I (no identity on flat effects), c = Λ WᵀV⁻¹(y - W b0):

    log p(y | θ) = -½ [ n' log 2π + Σ log v + log|M| + (y-Wb0)ᵀV⁻¹(y-Wb0) - cᵀM⁻¹c ]

n' is n less the number of flat effects, so with flat priors this is the
restricted likelihood (Patterson & Thompson 1971). The form stays finite at a
spread of zero. The gradient follows from Fisher's identity: it is the posterior
mean, over the effects, of the gradient with the effects known.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from thermcmp.errors import EngineError
from thermcmp.inference.problem import GaussianProblem
from thermcmp.model.priors import LOG_SQRT_2PI, Array

#: Memory for one batch of q x q matrices [bytes].
BATCH_BYTES: Final = 96_000_000


@dataclass(frozen=True, slots=True)
class Points:
    """Parameter points, B of them.

    Attributes
    ----------
    exponent : ndarray, shape (B,)
        Airflow exponent; ignored where the problem has no airflow term.
    spread : ndarray, shape (B, K)
        Standard deviation of each spread.
    residual : ndarray, shape (B,)
        Run-to-run standard deviation.
    """

    exponent: Array
    spread: Array
    residual: Array

    def part(self, where: slice | NDArray[np.intp]) -> Points:
        """The points at `where`."""
        return Points(self.exponent[where], self.spread[where], self.residual[where])

    def __len__(self) -> int:
        return len(self.residual)


class Kernel:
    """Prepared algebra of one problem.

    Parameters
    ----------
    problem : GaussianProblem
        The problem.
    """

    def __init__(self, problem: GaussianProblem) -> None:
        from scipy.sparse import csr_array

        self.problem = problem
        n, a = problem.columns.shape
        q = problem.effect_count
        rows = np.repeat(np.arange(n), a)
        places = np.tile(problem.flow, n)
        flat = problem.columns.ravel()
        value = problem.values.ravel()
        self._still = csr_array((value * ~places, (rows, flat)), shape=(n, q))
        self._flow = csr_array((value * places, (rows, flat)), shape=(n, q))
        self._pairs = _pair_matrices(problem)
        self._loose = np.isinf(problem.fixed_sd)
        # Keeps the algebra finite at a residual of zero, far below any real scatter.
        self._least_variance = 1e-10 * max(float(np.var(problem.y)), 1e-300)
        # The fixed effects' prior means move the response; flat ones have none.
        self._shift_still = np.asarray(self._still @ problem.fixed_mean)
        self._shift_flow = np.asarray(self._flow @ problem.fixed_mean)

    @property
    def batch(self) -> int:
        """Points per batch."""
        q, n = self.problem.effect_count, len(self.problem.y)
        return max(1, min(256, BATCH_BYTES // (8 * (q * q + 4 * n))))

    def log_likelihood(self, points: Points) -> Array:
        """Log marginal likelihood of each point, shape (B,)."""
        return np.concatenate(
            [_Solved(self, points.part(part)).log_likelihood for part in self._parts(points)]
        )

    def gradient(self, point: Points) -> tuple[float, Points]:
        """Log marginal likelihood at one point and its gradient there."""
        solved = _Solved(self, point)
        return float(solved.log_likelihood[0]), solved.gradient()

    def draw_effects(self, points: Points, rng: np.random.Generator) -> Array:
        """One exact draw of all effects for each point, shape (B, q)."""
        return np.concatenate(
            [_Solved(self, points.part(part)).draw(rng) for part in self._parts(points)]
        )

    def effect_moments(self, point: Points) -> tuple[Array, Array]:
        """Mean, shape (q,), and covariance, shape (q, q), of the effects at one point."""
        return _Solved(self, point).moments()

    def _parts(self, points: Points) -> list[slice]:
        return [slice(i, i + self.batch) for i in range(0, len(points), self.batch)]


class _Solved:
    """The factorised system of a batch of points."""

    def __init__(self, kernel: Kernel, points: Points) -> None:
        problem, self.kernel, self.points = kernel.problem, kernel, points
        b, q = len(points), problem.effect_count
        self.h, self.dh = (None, None)
        if problem.airflow is not None:
            self.h, self.dh = problem.airflow(points.exponent)
        v = problem.run_scatter[:, None] * points.residual**2 + problem.known_variance[:, None]
        self.v = np.maximum(v, kernel._least_variance)
        shift = kernel._shift_still[:, None]
        if self.h is not None:
            shift = shift + self.h * kernel._shift_flow[:, None]
        self.y = problem.y[:, None] - shift
        lam = np.empty((b, q))
        grouped = problem.scale_of >= 0
        lam[:, grouped] = points.spread[:, problem.scale_of[grouped]]
        lam[:, ~grouped] = np.where(kernel._loose, 1.0, problem.fixed_sd)[~grouped]
        self.lam = lam
        self.gram = kernel._pairs.gram(1.0 / self.v, self.h, q)
        self.rhs = self._transpose_times(self.y / self.v)
        m = lam[:, :, None] * self.gram * lam[:, None, :]
        m[:, np.arange(q), np.arange(q)] += np.where(kernel._loose, 0.0, 1.0)
        try:
            self.chol = np.asarray(np.linalg.cholesky(m), dtype=np.float64)
        except np.linalg.LinAlgError as error:
            raise EngineError(
                "The effects cannot be told apart even with their priors (singular system). "
                "Mend: give every fixed effect a proper prior, or remove an aliased one."
            ) from error
        self.half = _solve_each(self.chol, lam * self.rhs, trans=0)
        fit = np.sum(self.half**2, axis=1)
        log_det = 2.0 * np.sum(np.log(np.diagonal(self.chol, axis1=1, axis2=2)), axis=1)
        free = len(problem.y) - int(kernel._loose.sum())
        self.log_likelihood = -0.5 * (
            2.0 * free * LOG_SQRT_2PI
            + np.sum(np.log(self.v), axis=0)
            + log_det
            + np.sum(self.y**2 / self.v, axis=0)
            - fit
        )

    def _transpose_times(self, x: Array) -> Array:
        """Wᵀx for each point, shape (B, q)."""
        out = self.kernel._still.T @ x
        if self.h is not None:
            out = out + self.kernel._flow.T @ (self.h * x)
        return np.asarray(out).T

    def _times(self, b: Array) -> Array:
        """W b for each point, shape (n, B)."""
        out = np.asarray(self.kernel._still @ b.T)
        return out if self.h is None else out + self.h * np.asarray(self.kernel._flow @ b.T)

    def gradient(self) -> Points:
        """Gradient of the log likelihood at the one point of this batch."""
        problem, kernel = self.kernel.problem, self.kernel
        lam, u = self.lam[0], self._mean()[0]
        inverse = _inverse(self.chol[0])
        b = (lam * u)[None, :]
        e = (self.y - self._times(b))[:, 0]
        v = self.v[:, 0]
        cov = lam[:, None] * inverse * lam[None, :]
        w = kernel._still.toarray()
        if self.h is not None:
            w = w + self.h * kernel._flow.toarray()
        spread_of_mean = np.einsum("ij,jk,ik->i", w, cov, w, optimize=True)
        score = self._transpose_times((e / v)[:, None])[0]
        per_effect = score * u - np.sum(self.gram[0] * (inverse * lam[None, :]), axis=1)
        grouped = problem.scale_of >= 0
        groups = self.points.spread.shape[1]
        spread = np.asarray(
            np.bincount(problem.scale_of[grouped], per_effect[grouped], minlength=groups),
            np.float64,
        )
        dv = 0.5 * ((e**2 + spread_of_mean) / v**2 - 1.0 / v)
        residual = 2.0 * self.points.residual[0] * np.sum(dv * problem.run_scatter)
        exponent = 0.0
        if self.dh is not None:
            dw = self.dh * kernel._flow.toarray()
            moved = dw @ (problem.fixed_mean + b[0])
            exponent = float(
                np.sum((e * moved - np.einsum("ij,jk,ik->i", dw, cov, w, optimize=True)) / v)
            )
        return Points(np.array([exponent]), spread[None, :], np.array([residual]))

    def draw(self, rng: np.random.Generator) -> Array:
        """One draw of the effects per point."""
        # L⁻ᵀ(half + noise) is the conditional mean plus a draw of covariance M⁻¹.
        u = _solve_each(self.chol, self.half + rng.standard_normal(self.half.shape), trans=1)
        return self.kernel.problem.fixed_mean + self.lam * u

    def _mean(self) -> Array:
        return _solve_each(self.chol, self.half, trans=1)

    def moments(self) -> tuple[Array, Array]:
        """Mean and covariance of the effects at the one point of this batch."""
        lam = self.lam[0]
        cov = lam[:, None] * _inverse(self.chol[0]) * lam[None, :]
        return self.kernel.problem.fixed_mean + lam * self._mean()[0], cov


def _solve_each(chol: Array, rhs: Array, *, trans: int) -> Array:
    """Solve L x = b (or Lᵀx = b) for each matrix of the batch."""
    from scipy.linalg.lapack import dtrtrs

    return np.stack(
        [dtrtrs(low, b, lower=1, trans=trans)[0] for low, b in zip(chol, rhs, strict=True)]
    )


def _inverse(chol: Array) -> Array:
    from scipy.linalg import cho_solve

    return np.asarray(cho_solve((chol, True), np.eye(len(chol))))


@dataclass(frozen=True, slots=True, eq=False)
class _Pairs:
    """WᵀDW as sparse sums over the pairs of effects that share a row."""

    keys: NDArray[np.intp]
    by_flow: tuple[Any, ...]

    def gram(self, weight: Array, h: Array | None, q: int) -> Array:
        """WᵀDW for each column of `weight`, shape (B, q, q)."""
        flat = self.by_flow[0] @ weight
        if h is not None:
            flat = flat + self.by_flow[1] @ (weight * h)
            flat = flat + self.by_flow[2] @ (weight * h * h)
        out = np.zeros((weight.shape[1], q * q))
        out[:, self.keys] = np.asarray(flat).T
        return out.reshape(-1, q, q)


def _pair_matrices(problem: GaussianProblem) -> _Pairs:
    """Sparse (pairs x rows) matrices, one per number of airflow factors in the product."""
    from scipy.sparse import csr_array

    n, a = problem.columns.shape
    q = problem.effect_count
    left, right = (side.ravel() for side in np.meshgrid(range(a), range(a), indexing="ij"))
    key = problem.columns[:, left] * q + problem.columns[:, right]
    value = problem.values[:, left] * problem.values[:, right]
    factors = problem.flow[left].astype(int) + problem.flow[right].astype(int)
    keys, where = np.unique(key, return_inverse=True)
    where = where.reshape(key.shape)
    rows = np.broadcast_to(np.arange(n)[:, None], key.shape)
    matrices = tuple(
        csr_array(
            (
                value[:, factors == count].ravel(),
                (where[:, factors == count].ravel(), rows[:, factors == count].ravel()),
            ),
            shape=(len(keys), n),
        )
        for count in range(3)
    )
    return _Pairs(keys.astype(np.intp), matrices)
