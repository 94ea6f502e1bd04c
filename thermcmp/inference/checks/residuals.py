"""Fitted rises, row variances and completed readings, draw by draw."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from thermcmp._types import Array, IntArray
from thermcmp.inference.censoring import readings_of
from thermcmp.inference.conditional.marginal_likelihood import Points
from thermcmp.inference.conditional.problem import thermal_problem
from thermcmp.model.design import EXPONENT, RESIDUAL
from thermcmp.model.terms import Role

if TYPE_CHECKING:
    from collections.abc import Iterator

    from thermcmp.inference.conditional.problem import GaussianProblem
    from thermcmp.inference.posterior import Fit
    from thermcmp.model.design import Design

#: Draws times rows of one part.
PART_CELLS = 1_000_000
#: Least variance of a row, against a division by zero [K²].
LEAST_VARIANCE = 1e-10


def design_matrices(
    design: Design, *, nuisance: bool = True, problem: GaussianProblem | None = None
) -> tuple[Any, Any]:
    """Return the sparse coefficients (n, q) of the effects on resistance and on airflow."""
    from scipy.sparse import csr_array

    problem = thermal_problem(design)[0] if problem is None else problem
    counted = [
        *(True for _ in design.fixed_priors),
        *(nuisance or t.role is not Role.NUISANCE for t in design.terms),
    ]
    matrices = []
    for side in (False, True):
        places = np.array(counted) & (problem.flow == side)
        columns, values = problem.columns[:, places], problem.values[:, places]
        rows = np.broadcast_to(np.arange(len(columns))[:, None], columns.shape)
        entries = (values.ravel(), (rows.ravel(), columns.ravel()))
        matrices.append(csr_array(entries, shape=(len(columns), problem.effect_count)))
    return matrices[0], matrices[1]


def airflow_factor(design: Design, exponent: Array) -> Array:
    """Return the airflow factor less one at each row, shape (B, n), for exponents (B,)."""
    return np.asarray(design.airflow(design.flow_speed[None, :], exponent[:, None]))


def parameter_points(fit: Fit, chosen: IntArray) -> Points:
    """Return exponent, spreads and residual of the chosen draws."""
    exponent = fit.draws(EXPONENT)[chosen]
    spreads = [fit.draws(term.spread)[chosen] for term in fit.design.terms]
    # Without terms there are no spreads, but still a row per draw.
    spread = np.column_stack([np.empty((len(chosen), 0)), *spreads])
    return Points.of_one_set(exponent, spread, fit.draws(RESIDUAL)[chosen])


def fitted_rise(
    fit: Fit, chosen: IntArray | None = None, *, nuisance: bool = True
) -> Iterator[tuple[IntArray, Array]]:
    """Yield indices of draws (B,) and the fitted rise of every row (B, n), part by part."""
    design = fit.design
    still, flow = design_matrices(design, nuisance=nuisance)
    exponent = fit.draws(EXPONENT)
    chosen = np.arange(len(exponent)) if chosen is None else chosen
    step = max(1, PART_CELLS // len(design.rise_k))
    for start in range(0, len(chosen), step):
        part = chosen[start : start + step]
        h, effects = airflow_factor(design, exponent[part]), fit.effects_at(part).T
        yield part, np.asarray((still @ effects).T + h * (flow @ effects).T)


def mixed_scale(fit: Fit, chosen: IntArray) -> Array:
    """Return the squared scale of each row's Student's t, shape (B, n) [K²], without intervals."""
    return _with_scatter(fit, chosen, readings_of(fit.design).variance)


def beside_scale(fit: Fit) -> Array:
    """Return the variance added to the squared scale for steps as intervals, (n,) [K²]."""
    return np.asarray(fit.design.known_variance - readings_of(fit.design).variance)


def row_variance(fit: Fit, chosen: IntArray, weights: Array | None = None) -> Array:
    """Return the variance of each row given the effects, shape (B, n) [K²].

    Student's t is normal given a weight of each row, shape (B, n), see `student_weights`.
    """
    if weights is None:
        return _with_scatter(fit, chosen, fit.design.known_variance)
    return np.asarray(mixed_scale(fit, chosen) / weights + beside_scale(fit))


def _with_scatter(fit: Fit, chosen: IntArray, known: Array) -> Array:
    """Return known variances plus those of the run-to-run scatter, shape (B, n) [K²]."""
    residual = fit.draws(RESIDUAL)[chosen, None]
    return np.maximum(fit.design.run_scatter * residual**2 + known, LEAST_VARIANCE)


def completed_rise(fit: Fit, mean: Array, variance: Array, rng: np.random.Generator) -> Array:
    """Return the rises (B, n), those at a limit or floor replaced by draws of the true value.

    Given these completed readings and the parameters the model is Gaussian again.
    """
    from scipy.special import log_ndtr, ndtri_exp

    rise = np.broadcast_to(fit.design.rise_k, mean.shape).copy()
    limit = fit.design.at_limit
    if limit.any():
        sd = np.sqrt(variance[:, limit])
        side = fit.design.side[limit]
        beyond = log_ndtr(side * (mean[:, limit] - rise[:, limit]) / sd)
        # A normal draw beyond the bound, by inversion in logs.
        z = -ndtri_exp(beyond + np.log(rng.uniform(size=beyond.shape)))
        rise[:, limit] = mean[:, limit] + side * sd * z
    return rise
