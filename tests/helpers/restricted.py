"""Restricted and plain maximum likelihood, as in published tables."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from thermcmp.errors import EngineError
from thermcmp.inference.conditional.marginal_likelihood import Kernel, Points, Solved
from thermcmp.inference.conditional.problem import GaussianProblem
from thermcmp.model.priors import LOG_SQRT_2PI, Array

#: Largest partial correlation tried: at one the effects' law has no density.
MOST_PARTIAL: Final = 1.0 - 1e-6


def restricted_mode(problem: GaussianProblem) -> Points:
    """Estimate standard deviations and partial correlations by restricted likelihood.

    It is the mode under flat priors (H. D. Patterson and R. Thompson, Biometrika 58
    (1971) 545-554), for a problem with flat fixed effects and no airflow term. The
    residual is NaN where every variance is known, since nothing depends on it.
    """
    from scipy.optimize import minimize

    if problem.airflow is not None:
        raise EngineError("The restricted mode serves problems without an airflow term only.")
    kernel = Kernel(_centred(problem))
    size, rows = float(np.std(problem.y)), len(problem.y)
    spreads, partials = len(problem.spreads), kernel.links.partials
    ends = (spreads - problem.sets, spreads)

    def point(x: Array) -> Points:
        spread, residual, partial = np.split(x[None, :], ends, axis=1)
        return Points(np.zeros(residual.shape), size * spread, size * residual, partial)

    def negative(x: Array) -> tuple[float, Array]:
        value, slope = kernel.gradient(point(x))
        parts = [size * slope.spread[0], size * slope.residual[0], slope.partial[0]]
        return -float(value[0]) / rows, -np.concatenate(parts) / rows

    low = np.repeat([0.0, 1e-4, -MOST_PARTIAL], [ends[0], problem.sets, partials])
    high = np.repeat([np.inf, MOST_PARTIAL], [spreads, partials])
    search = minimize(
        negative,
        np.repeat([0.5, 0.0], [spreads, partials]),
        jac=True,
        method="L-BFGS-B",
        bounds=list(zip(low, high, strict=True)),
        options={"ftol": 1e-15, "gtol": 1e-10, "maxiter": 500},
    )
    # At full precision the line search may stop early; the slope shows whether that matters.
    stopped = (search.x <= low) & (search.jac > 0) | (search.x >= high) & (search.jac < 0)
    if np.max(np.abs(np.where(stopped, 0.0, search.jac))) > 1e-6:
        raise EngineError(f"No maximum of the restricted likelihood was found: {search.message}")
    away = (np.arange(len(low)) >= spreads) | (search.x > 1e-3)
    best = point(_polished(lambda x: negative(x)[1], search.x, np.flatnonzero(away & ~stopped)))
    if np.any(problem.run_scatter):
        return best
    return replace(best, residual=np.full(best.residual.shape, np.nan))


def profile_log_likelihood(kernel: Kernel, points: Points) -> Array:
    """Return the log likelihood with the flat effects at their best values, shape (B,).

    Its maximum is the maximum-likelihood estimate; `Kernel.log_likelihood` has the flat
    effects integrated out. In the factor they come last before the response.
    """
    solved, count = Solved(kernel, points), int(kernel.is_flat.sum())
    diagonal = np.diagonal(solved.factor.tail, axis1=1, axis2=2)
    flat = np.log(diagonal[:, diagonal.shape[1] - 1 - count : -1]).sum(axis=1)
    return np.asarray(solved.log_likelihood + flat - count * LOG_SQRT_2PI)


def _polished(slope: Callable[[Array], Array], x: Array, free: NDArray[np.intp]) -> Array:
    """Return x after one Newton step to a zero of the slope, in the coordinates `free`.

    A likelihood is flat at its maximum: a search by values stops some 1e-7 away.
    """
    steps = 1e-4 * np.maximum(np.abs(x[free]), 0.1)
    aside = steps[:, None] * np.eye(len(x))[free]
    curve = [
        (slope(x + e)[free] - slope(x - e)[free]) / (2.0 * h)
        for e, h in zip(aside, steps, strict=True)
    ]
    move = np.zeros(len(x))
    if len(free) and np.linalg.cond(curve) < 1e10:
        move[free] = np.linalg.solve(curve, slope(x)[free])
    return x - move if np.all(np.abs(move) <= 1e-3 * np.maximum(np.abs(x), 0.1)) else x


def _centred(problem: GaussianProblem) -> GaussianProblem:
    """Return the same problem with flat effects relative to their least-squares fit.

    A flat prior has no origin; this one preserves the digits of a response that is
    large compared with its scatter.
    """
    flat = np.flatnonzero(np.isinf(problem.fixed_sd))
    if len(flat) == 0:
        return problem
    fixed = np.flatnonzero(problem.scale_of < 0)
    design = np.zeros((len(problem.y), len(fixed)))
    for place, effect in enumerate(fixed):
        design[:, place] = np.sum(problem.values * (problem.columns == effect), axis=1)
    mean = problem.fixed_mean.copy()
    mean[flat] = 0.0
    rest = problem.y - design @ mean[fixed]
    mean[flat] = np.linalg.lstsq(design[:, np.isin(fixed, flat)], rest, rcond=None)[0]
    return replace(problem, fixed_mean=mean)
