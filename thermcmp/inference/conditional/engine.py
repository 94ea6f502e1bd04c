"""The conditional engine: effects integrated out, few parameters left to explore.

Parameters are explored in their priors' standard-normal coordinates z (see
`thermcmp.model.priors`), where the target is a standard normal times a bounded
likelihood: mode by L-BFGS with the exact gradient, then adaptive importance
sampling, then one exact draw of all effects for each kept point.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from thermcmp._types import Array, IntArray
from thermcmp.errors import EngineError
from thermcmp.inference.conditional.blas_threads import one_blas_thread
from thermcmp.inference.conditional.importance_sampling import (
    DEFENSIVE,
    Effort,
    Mixture,
    Weighted,
    safe_cholesky,
    sample,
)
from thermcmp.inference.conditional.marginal_likelihood import Kernel, Points
from thermcmp.inference.conditional.polynomial_surrogate import fit_surrogate
from thermcmp.inference.conditional.problem import GaussianProblem
from thermcmp.inference.conditional.sinh_arcsinh import Warp
from thermcmp.model.priors import Prior

#: Numbers per point from which a problem counts as large.
LARGE: Final = 60_000
#: Parameters above which as many points are kept as draws.
MANY: Final = 16
#: Points of a round in which the proposal of a polynomial's draws is learned.
LEARNING: Final = 2000
#: Points that a polynomial proposes; the kept ones are taken from them.
POOL: Final = 10_000
#: Chains into which the kept draws are cut, so that chain diagnostics apply.
CHAINS: Final = 4


@dataclass(frozen=True, slots=True, eq=False)
class ConditionalDraws:
    """Draws of the conditional engine, all of equal weight.

    Attributes
    ----------
    points : Points
        S parameter points.
    effects : ndarray, shape (S, q)
        Effects, one exact conditional draw per point.
    weighted : Weighted
        The weighted draws that the points were resampled from.
    """

    points: Points
    effects: Array
    weighted: Weighted


class Target:
    """Log posterior of the parameters in standard-normal coordinates.

    Parameters
    ----------
    kernel : Kernel
        Algebra of the problem.
    priors : sequence of Prior
        Priors of the exponents (only with an airflow term), of each spread, of
        the residuals, of the partial correlations.
    """

    def __init__(self, kernel: Kernel, priors: Sequence[Prior]) -> None:
        self.kernel = kernel
        self.has_exponent = kernel.problem.airflow is not None
        self.priors = tuple(priors)
        sets, spreads = kernel.problem.sets, len(kernel.problem.spreads)
        exponents = sets if self.has_exponent else 0
        #: Where exponents, spreads and residuals end; partial correlations follow.
        self.ends = (exponents, exponents + spreads - sets, exponents + spreads)
        expected = self.ends[2] + kernel.links.partials
        if len(self.priors) != expected:
            raise EngineError(f"{expected} priors are needed, {len(self.priors)} were given.")

    def points(self, z: Array) -> Points:
        """Parameter points at the coordinates `z`, shape (B, d)."""
        columns = [prior.from_standard(z[:, i]) for i, prior in enumerate(self.priors)]
        exponent, spread, residual, partial = np.split(np.stack(columns, axis=1), self.ends, axis=1)
        if not self.has_exponent:
            exponent = np.zeros(residual.shape)
        return Points(exponent, spread, residual, partial)

    def log_density(self, z: Array) -> Array:
        """Log density at `z`, shape (B,), up to a constant."""
        return self.kernel.log_likelihood(self.points(z)) - 0.5 * np.sum(z**2, axis=1)

    def value_and_gradient(self, z: Array) -> tuple[Array, Array]:
        """Log density, shape (B,), and its gradient, shape (B, d), at `z`, shape (B, d)."""
        value, slope = self.kernel.gradient(self.points(z))
        parts = [slope.spread, slope.residual, slope.partial]
        if self.has_exponent:
            parts.insert(0, slope.exponent)
        jacobian = np.stack([p.derivative(z[:, i]) for i, p in enumerate(self.priors)], axis=1)
        return value - 0.5 * np.sum(z**2, axis=1), np.hstack(parts) * jacobian - z


def find_mode(target: Target, rng: np.random.Generator) -> tuple[Array, Array]:
    """Mode of the target and a covariance there.

    Returns mode (d,), factor (d, d).
    """
    d = len(target.priors)
    # A second start costs little where a problem is small, and many rows leave one mode.
    starts = [np.zeros(d), rng.normal(0.0, 0.7, d)] if target.kernel.size < LARGE else [np.zeros(d)]
    ends = [_climbed(target, start) for start in starts]
    value, mode = max(ends, key=lambda end: np.nan_to_num(end[0], nan=-np.inf))
    if not np.isfinite(value):
        raise EngineError("The posterior has no finite mode. Fix: check the rows and the priors.")
    values, vectors = np.linalg.eigh(-_curvature(target, mode))
    # Flat or bent-up directions get the prior's own width.
    values = np.where(values < 1.0, 1.0, values)
    return mode, safe_cholesky((vectors / values) @ vectors.T)


def _curvature(target: Target, z: Array, step: float = 1e-3) -> Array:
    """Second derivatives of the target at one point, by differences of the gradient."""
    aside = step * np.vstack([np.eye(len(z)), -np.eye(len(z))])
    ahead, behind = np.split(target.value_and_gradient(z + aside)[1], 2)
    return np.asarray((ahead - behind + (ahead - behind).T) / (4.0 * step))


def _climbed(target: Target, start: Array) -> tuple[float, Array]:
    """Value and place of the maximum reached from a start."""
    from scipy.optimize import minimize

    # In coordinates as stiff as one another the search need not learn by how much they differ.
    stiffness = _stiffness(target)

    def negative(x: Array) -> tuple[float, Array]:
        value, slope = target.value_and_gradient((x / stiffness)[None, :])
        return -float(value[0]), -slope[0] / stiffness

    # A tenth of the posterior's own width is near enough to start sampling from.
    found = minimize(
        negative,
        start * stiffness,
        jac=True,
        method="L-BFGS-B",
        bounds=[(-6.0 * k, 6.0 * k) for k in stiffness],
        options={"ftol": 1e-9, "gtol": 2e-2},
    )
    return -float(found.fun), np.asarray(found.x / stiffness)


def _stiffness(target: Target) -> Array:
    """How sharply each coordinate may at most be told, as the inverse of a standard deviation.

    The prior's own one, and two for each effect or row that has a share in a spread.
    """
    problem, partials = target.kernel.problem, target.kernel.links.partials
    rows = np.bincount(np.broadcast_to(target.kernel.set_of, len(problem.y)))
    spreads = len(problem.spreads) - problem.sets
    effects = np.bincount(problem.scale_of[problem.scale_of >= 0], minlength=spreads)
    exponents = rows if target.has_exponent else rows[:0]
    told = np.concatenate([exponents, effects, rows, np.full(partials, effects.max(initial=0))])
    return np.sqrt(1.0 + 2.0 * told)


def run_conditional(
    problem: GaussianProblem,
    priors: Sequence[Prior],
    *,
    draws: int = 4000,
    seed: int | None = None,
) -> ConditionalDraws:
    """Posterior draws of parameters and effects."""
    with one_blas_thread():
        return _explore(problem, priors, draws, np.random.default_rng(seed))


def _explore(
    problem: GaussianProblem, priors: Sequence[Prior], draws: int, rng: np.random.Generator
) -> ConditionalDraws:
    """Mode, adaptation, weighted draws, resampling and the effects' draws."""
    kernel = Kernel(problem)
    target = Target(kernel, priors)
    mode, factor = find_mode(target, rng)
    if kernel.size >= LARGE:
        found = _by_surrogate(target, mode, factor, draws, rng)
        if found.weighted.can_be_kept:
            return found
    start = _first_proposal(mode, factor, large=kernel.size >= LARGE)
    weighted = sample(target.log_density, start, _effort(kernel, len(mode), draws), rng)
    picked = systematic(weighted.weights, draws, rng)
    effects = kernel.draw_effects(target.points(weighted.x), picked, rng)
    order = rng.permutation(draws)
    return ConditionalDraws(target.points(weighted.x[picked[order]]), effects[order], weighted)


def _by_surrogate(
    target: Target, mode: Array, factor: Array, draws: int, rng: np.random.Generator
) -> ConditionalDraws:
    """Points proposed by a polynomial near the mode, weighted by the target itself.

    One factorisation of a dear point gives its weight and several draws of the effects.
    """
    stand_in = fit_surrogate(target.value_and_gradient, mode, factor, rng)
    start = _first_proposal(mode, factor, large=True)
    first = sample(stand_in.log_density, start, Effort(2, LEARNING, LEARNING), rng)
    drawn = first.x[systematic(first.weights, LEARNING, rng)]
    stand_in = stand_in.refitted(target.value_and_gradient, drawn)
    pool = sample(stand_in.log_density, start, Effort(2, LEARNING, POOL), rng)
    count = _dear_count(draws)
    x = pool.x[systematic(pool.weights, count, rng)]
    repeats = -(-5 * draws // (4 * count))
    points = target.points(x)
    likelihood, effects = target.kernel.likelihood_and_effects(points, repeats, rng)
    exact = likelihood - 0.5 * np.sum(x**2, axis=1)
    weighted = Weighted(x, exact - stand_in.log_density(x))
    picked = systematic(np.repeat(weighted.weights / repeats, repeats), draws, rng)
    picked = rng.permutation(picked)
    return ConditionalDraws(points.part(picked // repeats), effects[picked], weighted)


def _dear_count(draws: int) -> int:
    """Points kept where one is dear: its effects are drawn several times."""
    return max(draws // 8, 450)


def _first_proposal(mode: Array, factor: Array, *, large: bool) -> Mixture:
    """The local normal twice, narrow and wide; where rows are few, also a hedge towards the prior.

    Many rows leave a posterior close to the local normal.
    """
    if large:
        weights, means, factors = [0.8, 0.2], [mode, mode], [factor, 1.5 * factor]
    else:
        hedge = safe_cholesky(0.6 * np.eye(len(mode)))
        weights = [0.6, 0.2, 0.2]
        means, factors = [mode, mode / 2.0, mode], [factor, hedge, 1.5 * factor]
    return Mixture(
        (1.0 - DEFENSIVE) * np.array(weights),
        np.stack(means),
        np.stack(factors),
        Warp.none(len(mode)),
    )


def _effort(kernel: Kernel, d: int, draws: int) -> Effort:
    """How many points to spend: where one is dear its effects are drawn several times.

    Many rows leave a posterior close to normal, so that the proposal needs little learning.
    """
    if kernel.size < LARGE:
        # Of many parameters' points fewer count.
        return Effort(rounds=3, size=max(400, 50 * d), count=draws if d > MANY else draws // 2)
    return Effort(rounds=1, size=32 * d, count=_dear_count(draws))


def systematic(weights: Array, count: int, rng: np.random.Generator) -> IntArray:
    """Resample with one random offset.

    Shapes: weights (N,). Returns (count,).
    """
    grid = (rng.random() + np.arange(count)) / count
    return np.searchsorted(np.cumsum(weights), grid * (1.0 - 1e-12))
