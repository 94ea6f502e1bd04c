"""Restricted and plain maximum likelihood: what published tables hold."""

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
    """Maximum restricted likelihood: the mode under flat priors.

    Parameters
    ----------
    problem : GaussianProblem
        The problem, with flat fixed effects and no airflow term.

    Returns
    -------
    Points
        One point: the estimated standard deviations, zero where the likelihood
        is largest there, and partial correlations. The residual is NaN where no row
        has run-to-run scatter (every variance known), since nothing depends on it.

    Raises
    ------
    EngineError
        If the problem has an airflow term, or the search does not converge.

    References
    ----------
    H. D. Patterson and R. Thompson, Biometrika 58 (1971) 545-554.
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
    found = minimize(
        negative,
        np.repeat([0.5, 0.0], [spreads, partials]),
        jac=True,
        method="L-BFGS-B",
        bounds=list(zip(low, high, strict=True)),
        options={"ftol": 1e-15, "gtol": 1e-10, "maxiter": 500},
    )
    # At full precision the line search may give up; the slope says whether that matters.
    stopped = (found.x <= low) & (found.jac > 0) | (found.x >= high) & (found.jac < 0)
    if np.max(np.abs(np.where(stopped, 0.0, found.jac))) > 1e-6:
        raise EngineError(f"The restricted likelihood has no maximum found: {found.message}")
    away = (np.arange(len(low)) >= spreads) | (found.x > 1e-3)
    best = point(_polished(lambda x: negative(x)[1], found.x, np.flatnonzero(away & ~stopped)))
    if np.any(problem.run_scatter):
        return best
    return replace(best, residual=np.full(best.residual.shape, np.nan))


def profile_log_likelihood(kernel: Kernel, points: Points) -> Array:
    """Log likelihood with the flat effects at their best values, shape (B,).

    Its maximum is the maximum-likelihood estimate; `Kernel.log_likelihood` has the flat
    effects integrated out. They stand last but the response in the factor.
    """
    solved, count = Solved(kernel, points), int(kernel.is_flat.sum())
    diagonal = np.diagonal(solved.factor.tail, axis1=1, axis2=2)
    flat = np.log(diagonal[:, diagonal.shape[1] - 1 - count : -1]).sum(axis=1)
    return np.asarray(solved.log_likelihood + flat - count * LOG_SQRT_2PI)


def _polished(slope: Callable[[Array], Array], x: Array, free: NDArray[np.intp]) -> Array:
    """One Newton step towards a zero of the slope, in the coordinates `free`.

    A likelihood is flat at its top: its values stop a search some 1e-7 off.
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
    """The same problem, flat effects counted from their least-squares fit.

    A flat prior has no origin of its own; this one keeps the digits of a response
    that is large beside its scatter.
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
