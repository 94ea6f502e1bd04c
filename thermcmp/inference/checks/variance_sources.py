"""Where the variance of an estimate comes from, source by source.

Given the parameters, the posterior mean of a contrast c'b misses it by

    (Xᵀa − c)ᵀ(b − μ) + aᵀe,    a = V⁻¹XCc

with C the posterior covariance of the effects, D their prior one and e the runs' errors. Since
Xᵀa − c = −D⁻¹Cc, effect j adds (Cc)ⱼ² / Dⱼⱼ and run i adds (XCc)ᵢ² / Vᵢ; the sum over all is
cᵀCc, the posterior variance. It is the law of propagation of independent errors (JCGM 100:2008,
5.1.2) with every effect and every run as an input. Over the parameters the parts are averaged;
how the estimate moves with them is a source of its own.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.inference.checks.residuals import parameter_points
from thermcmp.inference.conditional.blas_threads import one_blas_thread
from thermcmp.inference.conditional.marginal_likelihood import Solved
from thermcmp.inference.conditional.regulated_sampling import fitted_kernel
from thermcmp.model.design import FIXED, RESIDUAL

if TYPE_CHECKING:
    from thermcmp.inference.posterior import Fit

#: Posterior draws over which the parts are averaged.
THINNED: Final = 100
#: Source of what the parameters themselves leave open.
PARAMETERS: Final = "exponent and spreads"
STATED_ERRORS: Final = "stated errors"


@dataclass(frozen=True, slots=True, eq=False)
class VarianceSources:
    """Parts of one estimate's variance, each with its degrees of freedom."""

    names: tuple[str, ...]
    variance: Array  #: shape (sources,)
    #: Degrees of freedom of each part's standard deviation; infinite where it is stated.
    degrees: Array


def variance_sources(fit: Fit, weights: Callable[[float], Array]) -> VarianceSources:
    """Return the parts of the variance of a contrast, of weights (q,) at an exponent."""
    design, kernel = fit.design, fitted_kernel(fit)
    problem = kernel.problem
    points = parameter_points(fit, fit.thinned(THINNED))
    names = (*FIXED, *design.shared.names, *(term.name for term in design.terms))
    names += (RESIDUAL, STATED_ERRORS)
    owner = np.concatenate([
        np.arange(len(design.fixed_priors)),
        len(design.fixed_priors) + problem.scale_of[problem.scale_of >= 0],
    ])  # fmt: skip
    parts, means = np.zeros(len(names)), np.zeros(len(points))
    with one_blas_thread():
        for place in range(len(points)):
            point = points.part(slice(place, place + 1))
            contrast = weights(float(point.exponent[0, 0]))
            solved = Solved(kernel, point)
            moved = solved.covariances(solved.halves(contrast[None, None]))[:, 0]
            prior = np.where(problem.scale_of < 0, problem.fixed_sd, solved.lam[:, 0])
            by_effect = np.divide(
                moved**2, prior**2, out=np.zeros_like(moved), where=(prior > 0) & np.isfinite(prior)
            )
            parts[:-2] += np.bincount(owner, by_effect, minlength=len(names) - 2)
            variance = np.broadcast_to(solved.v[:, 0], problem.y.shape)
            by_row = (kernel.rows.fitted(moved[:, None], solved.h)[:, 0] / variance) ** 2
            scatter = problem.run_scatter * point.residual[0, 0] ** 2
            parts[-2:] += by_row @ scatter, by_row @ (variance - scatter)
            means[place] = contrast @ (problem.fixed_mean + solved.mean()[:, 0])
    parts /= len(points)
    spreads = [fit.draws(term.spread) for term in design.terms]
    degrees = [np.inf] * len(design.fixed_priors) + [_degrees(each) for each in spreads]
    degrees += [_degrees(fit.draws(RESIDUAL)), np.inf]
    return VarianceSources(
        (*names, PARAMETERS), np.append(parts, np.var(means)), np.array([*degrees, np.inf])
    )


def _degrees(spread: Array) -> float:
    """Return the degrees of freedom of a standard deviation (JCGM 100:2008, G.3, equation G.3)."""
    sd = float(np.std(spread))
    return 0.5 * (float(np.mean(spread)) / sd) ** 2 if sd > 0.0 else float("inf")


def effective_degrees(sources: VarianceSources) -> float:
    """Return the effective degrees of freedom by Welch and Satterthwaite (JCGM 100:2008, G.4)."""
    total = float(sources.variance.sum())
    weight = float(np.sum(sources.variance**2 / sources.degrees))
    return total**2 / weight if weight > 0.0 else float("inf")
