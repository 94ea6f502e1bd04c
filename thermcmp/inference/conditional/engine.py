"""The conditional engine: effects are integrated out and the few parameters left are explored.

In the priors' standard-normal coordinates z (see `thermcmp.model.priors`): mode by L-BFGS with
the exact gradient, adaptive importance sampling, and exact draws of all effects.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.polynomial import Polynomial

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
from thermcmp.inference.conditional.marginal_likelihood import (
    LARGE,
    SINGULAR,
    Kernel,
    Points,
)
from thermcmp.inference.conditional.polynomial_surrogate import fit_surrogate
from thermcmp.inference.conditional.problem import GaussianProblem
from thermcmp.inference.conditional.shared_spreads import shared_spreads
from thermcmp.inference.conditional.sinh_arcsinh import Warp
from thermcmp.model.priors import Prior

#: Parameters above which there are as many points as draws.
MANY: Final = 13
#: Fewest points that are weighted, so that few draws are as sound as many.
FEWEST_POINTS: Final = 1200
#: Points per round of learning a proposal for the polynomial surrogate.
LEARNING: Final = 2000
#: Points drawn from the surrogate, of which some are kept.
POOL: Final = 10_000
#: Least variance beside the mean square of the readings: log densities are exact to 0.01 there.
LEAST_BESIDE_LEVEL: Final = 1e-13
#: Chains into which the kept draws are cut, so that chain diagnostics apply.
CHAINS: Final = 4


class ScatterTooSmallError(EngineError):
    """Readings that scatter by less than the arithmetic can hold beside their level."""

    def __init__(self, scatter: float, least: float) -> None:
        self.scatter, self.least = scatter, least
        super().__init__(
            f"The readings scatter by {scatter:.2g} or less, or state such errors; beside their "
            f"level and range no less than {least:.2g} can be computed. Fix: give them as they "
            "were measured, and the step in which they are read."
        )


@dataclass(frozen=True, slots=True, eq=False)
class ConditionalDraws:
    """Draws of the conditional engine, all of equal weight."""

    points: Points  #: S parameter points
    effects: Array  #: one exact conditional draw per point, shape (S, q)
    weighted: Weighted  #: the weighted points from which these were resampled

    def part(self, where: IntArray) -> ConditionalDraws:
        """Return the draws at `where`."""
        return replace(self, points=self.points.part(where), effects=self.effects[where])


@dataclass(frozen=True, slots=True)
class ByScatter:
    """A term of the log density: a polynomial in the log of the residual, level beyond its ends."""

    polynomial: Polynomial
    low: float = -np.inf
    high: float = np.inf

    def value(self, residual: Array) -> Array:
        """Return the term at residuals, same shape."""
        return np.asarray(self.polynomial(np.clip(np.log(residual), self.low, self.high)))

    def slope(self, residual: Array) -> Array:
        """Return its derivative with respect to the residuals, same shape."""
        log = np.log(residual)
        inside = (log > self.low) & (log < self.high)
        return np.where(inside, self.polynomial.deriv()(log) / residual, 0.0)


class Target:
    """Log posterior of the parameters in standard-normal coordinates.

    The d priors are those of the exponents (only with an airflow term), the spreads, the
    residuals and the partial correlations, in this order. `by_scatter` is a further
    term, of the first residual.
    """

    def __init__(
        self, kernel: Kernel, priors: Sequence[Prior], by_scatter: ByScatter | None = None
    ) -> None:
        self.kernel, self.by_scatter = kernel, by_scatter
        self.has_exponent = kernel.problem.airflow is not None
        self.priors = tuple(priors)
        sets, spreads = kernel.problem.sets, len(kernel.problem.spreads)
        exponents = sets if self.has_exponent else 0
        #: Ends of exponents, spreads and residuals; partial correlations follow.
        self.ends = (exponents, exponents + spreads - sets, exponents + spreads)
        expected = self.ends[2] + kernel.links.partials
        if len(self.priors) != expected:
            raise EngineError(f"{expected} priors are needed, not {len(self.priors)}.")

    def points(self, z: Array) -> Points:
        """Return the parameter points at coordinates `z`, shape (B, d)."""
        columns = [prior.from_standard(z[:, i]) for i, prior in enumerate(self.priors)]
        exponent, spread, residual, partial = np.split(np.stack(columns, axis=1), self.ends, axis=1)
        if not self.has_exponent:
            exponent = np.zeros(residual.shape)
        return Points(exponent, spread, residual, partial)

    def log_density(self, z: Array) -> Array:
        """Return the log density at `z` up to a constant, shape (B,)."""
        points = self.points(z)
        return self.with_prior(self.kernel.log_likelihood(points), points, z)

    def with_prior(self, log_likelihood: Array, points: Points, z: Array) -> Array:
        """Return the log density at points, whose coordinates are `z`, by their likelihood."""
        prior = -0.5 * np.sum(z**2, axis=1)
        if self.by_scatter is not None:
            prior = prior + self.by_scatter.value(points.residual[:, 0])
        return np.asarray(log_likelihood + prior)

    def value_and_gradient(self, z: Array) -> tuple[Array, Array]:
        """Return the log density at `z`, shape (B,), and its gradient, shape (B, d)."""
        points = self.points(z)
        value, slope = self.kernel.gradient(points, is_regular=False)
        if self.by_scatter is not None:
            slope.residual[:, 0] += self.by_scatter.slope(points.residual[:, 0])
        parts = [slope.spread, slope.residual, slope.partial]
        if self.has_exponent:
            parts.insert(0, slope.exponent)
        jacobian = np.stack([p.derivative(z[:, i]) for i, p in enumerate(self.priors)], axis=1)
        return self.with_prior(value, points, z), np.hstack(parts) * jacobian - z


def find_mode(target: Target, rng: np.random.Generator) -> tuple[Array, Array]:
    """Return the target's mode, shape (d,), and a covariance factor there, shape (d, d)."""
    d = len(target.priors)
    # A second start costs little where a problem is small, and many rows leave one mode.
    starts = [np.zeros(d), rng.normal(0.0, 0.7, d)] if target.kernel.size < LARGE else [np.zeros(d)]
    maxima = [_maximum(target, start) for start in starts]
    value, mode = max(maxima, key=lambda end: np.nan_to_num(end[0], nan=-np.inf))
    if not np.isfinite(value):
        raise EngineError(SINGULAR)
    # Second derivatives by differences of the gradient.
    step = 1e-3
    aside = step * np.vstack([np.eye(d), -np.eye(d)])
    ahead, behind = np.split(target.value_and_gradient(mode + aside)[1], 2)
    curvature = (ahead - behind + (ahead - behind).T) / (4.0 * step)
    if not np.isfinite(curvature).all():
        require_scatter(target.kernel, target.points(mode[None]))
        raise EngineError(SINGULAR)
    values, vectors = np.linalg.eigh(-curvature)
    # Flat or convex directions get the width of the prior.
    values = np.where(values < 1.0, 1.0, values)
    return mode, safe_cholesky((vectors / values) @ vectors.T)


def _maximum(target: Target, start: Array) -> tuple[float, Array]:
    """Return the value and the coordinates (d,) of the maximum reached from a start."""
    from scipy.optimize import minimize

    # Coordinates of equal stiffness spare the search from learning their scales. The stiffness is
    # an upper bound of the inverse posterior standard deviation: the information is one for the
    # prior and two for each effect or row of a spread.
    problem, partials = target.kernel.problem, target.kernel.links.partials
    rows = np.bincount(np.broadcast_to(target.kernel.set_of, len(problem.y)))
    spreads = len(problem.spreads) - problem.sets
    effects = np.bincount(problem.scale_of[problem.scale_of >= 0], minlength=spreads)
    exponents = rows if target.has_exponent else rows[:0]
    counts = np.concatenate([exponents, effects, rows, np.full(partials, effects.max(initial=0))])
    stiffness = np.sqrt(1.0 + 2.0 * counts)

    def negative(x: Array) -> tuple[float, Array]:
        value, slope = target.value_and_gradient((x / stiffness)[None, :])
        if not np.isfinite(value[0]):
            # The line search turns back; a start of this kind is no maximum.
            return np.inf, np.zeros_like(x)
        return -float(value[0]), -slope[0] / stiffness

    # A tenth of the posterior's width is close enough to start sampling from.
    optimum = minimize(
        negative,
        start * stiffness,
        jac=True,
        method="L-BFGS-B",
        bounds=[(-6.0 * k, 6.0 * k) for k in stiffness],
        options={"ftol": 1e-9, "gtol": 2e-2},
    )
    return -float(optimum.fun), np.asarray(optimum.x / stiffness)


def run_conditional(
    problem: GaussianProblem,
    priors: Sequence[Prior],
    *,
    draws: int = 4000,
    seed: int | None = None,
    by_scatter: ByScatter | None = None,
    fewest: int = FEWEST_POINTS,
    may_repeat: bool = False,
) -> ConditionalDraws:
    """Return posterior draws of parameters and effects, from that many weighted points at least.

    Readings that repeat to less than can be computed are refused, unless they may.
    """
    rng = np.random.default_rng(seed)
    with one_blas_thread():
        kernel = Kernel(problem)
        target = Target(kernel, priors, by_scatter)
        mode, factor = find_mode(target, rng)
        try:
            drawn = _drawn(target, mode, factor, draws, fewest, rng)
        except EngineError:
            # Rounding may be why: below the least scatter that can be computed, it decides.
            require_scatter(kernel, target.points(mode[None]))
            raise
        if not may_repeat:
            require_scatter(kernel, drawn.points)
        return drawn


def _drawn(
    target: Target, mode: Array, factor: Array, draws: int, fewest: int, rng: np.random.Generator
) -> ConditionalDraws:
    """Return draws by a polynomial surrogate where that serves, or by weighted points."""
    kernel, d = target.kernel, len(mode)
    shared = shared_spreads(kernel.problem, target.priors)
    # An arc is no polynomial, and takes more points than a narrow normal.
    if kernel.size >= LARGE and not shared:
        drawn = _by_surrogate(target, mode, factor, draws, rng)
        if drawn.weighted.can_be_kept:
            return drawn
    # With many rows the proposal needs little adaptation; with many parameters the effective
    # share of the points is lower.
    count = FEWEST_POINTS if shared else _expensive_count(draws)
    effort = Effort(rounds=1, size=32 * d, count=count)
    if kernel.size < LARGE:
        points = max(draws if d > MANY else draws // 2, fewest)
        effort = Effort(rounds=3, size=max(400, 50 * d), count=points)
    start = _first_proposal(mode, factor, large=kernel.size >= LARGE)
    weighted = sample(target.log_density, start, effort, rng, shared)
    picked = systematic(weighted.weights, draws, rng)
    effects = kernel.draw_effects(target.points(weighted.x), picked, rng)
    order = rng.permutation(draws)
    return ConditionalDraws(target.points(weighted.x[picked[order]]), effects[order], weighted)


def require_scatter(kernel: Kernel, points: Points) -> None:
    """Refuse draws in which the variance of a row is less than the arithmetic can hold."""
    # Of the draws with the least scatter, 5 % in all.
    low = replace(points.part(slice(1)), residual=np.quantile(points.residual, [0.05], axis=0))
    level = float(np.mean(kernel.problem.y**2))
    variance = float(np.min(kernel.variance(low)))
    least = 4.0 * max(kernel.least_variance, LEAST_BESIDE_LEVEL * level)
    if variance < least:
        raise ScatterTooSmallError(float(np.sqrt(variance)), float(np.sqrt(least)))


def _by_surrogate(
    target: Target, mode: Array, factor: Array, draws: int, rng: np.random.Generator
) -> ConditionalDraws:
    """Return draws proposed by a polynomial surrogate of the target and weighted by the target.

    One factorisation of a point serves its weight and several draws of the effects.
    """
    surrogate = fit_surrogate(target.value_and_gradient, mode, factor, rng)
    start = _first_proposal(mode, factor, large=True)
    first = sample(surrogate.log_density, start, Effort(2, LEARNING, LEARNING), rng)
    drawn = first.x[systematic(first.weights, LEARNING, rng)]
    surrogate = surrogate.refitted(target.value_and_gradient, drawn)
    pool = sample(surrogate.log_density, start, Effort(2, LEARNING, POOL), rng)
    count = _expensive_count(draws)
    x = pool.x[systematic(pool.weights, count, rng)]
    repeats = -(-5 * draws // (4 * count))
    points = target.points(x)
    likelihood, effects = target.kernel.likelihood_and_effects(points, repeats, rng)
    exact = target.with_prior(likelihood, points, x)
    weighted = Weighted(x, exact - surrogate.log_density(x))
    picked = systematic(np.repeat(weighted.weights / repeats, repeats), draws, rng)
    picked = rng.permutation(picked)
    return ConditionalDraws(points.part(picked // repeats), effects[picked], weighted)


def _expensive_count(draws: int) -> int:
    """Return how many points to keep when each is expensive and gets several effect draws."""
    return max(draws // 8, 450)


def _first_proposal(mode: Array, factor: Array, *, large: bool) -> Mixture:
    """Return the local normal, narrow and wide; with few rows also a hedge towards the prior.

    With many rows the posterior is close to the local normal.
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


def systematic(weights: Array, count: int, rng: np.random.Generator) -> IntArray:
    """Return `count` indices resampled by weights of shape (N,) with one random offset."""
    grid = (rng.random() + np.arange(count)) / count
    return np.searchsorted(np.cumsum(weights), grid * (1.0 - 1e-12))
