"""Share of an estimate that comes from the data rather than from the prior."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.errors import EngineError
from thermcmp.inference.checks.assumed_spread import contrast_variances, is_assumed
from thermcmp.inference.checks.residuals import parameter_points
from thermcmp.inference.conditional.blas_threads import one_blas_thread
from thermcmp.inference.conditional.marginal_likelihood import SINGULAR
from thermcmp.inference.conditional.regulated_sampling import fitted_kernel
from thermcmp.model.design import FIXED, RESIDUAL
from thermcmp.model.priors import Known
from thermcmp.model.terms import Acts, Role

if TYPE_CHECKING:
    from thermcmp.inference.posterior import Fit

#: Spread that stands for "no prior" on a separated factor and on the baseline [K].
WIDE_K: Final = 1e4
#: The same for the convective and the constant part, which cannot exceed a whole rise [K].
#: An unbounded value would count a reference speed a few rpm from the tested one as ignorance.
BOUNDED_K: Final = 100.0
#: The same for an effect whose prior's standard deviation is stated, in units of that.
FLAT_SDS: Final = 100.0
#: Most information of all rows on an effect of that spread, in units of its prior's.
MOST_INFORMATION: Final = 1e12
#: The same above which a draw is left out, since rounding would decide.
LOST_INFORMATION: Final = 1e13
#: Posterior draws over which the share is averaged.
THINNED: Final = 40


def data_share(
    fit: Fit, weights: Array | Callable[[float], Array], *, constant_known: bool = True
) -> Array:
    """Return the share (m,) of the information on contrasts (m, q) that comes from the data.

    At given spreads the information adds up: 1/V = 1/V_data + 1/V_prior. V_data is the
    variance with a flat prior on the baselines and on every separated factor (the convective
    part is bounded by BOUNDED_K), so V/V_data is 1 where the data decide and 0 where they are
    silent, as for the split between two factors that always changed together. It is averaged
    over posterior draws of the spreads and the exponent.

    The constant part counts as known as well as its prior, since intervals allow for it; a
    contrast that is about it asks for `constant_known=False`. A direct firmware effect counts
    as a separated factor where firmware and hardware were crossed; elsewhere answers allow for
    it, and it is left out here. Where some firmwares of the rows were crossed, a contrast has
    the larger of both shares: one between two others would count as unknown by the first.
    """
    kernel = fitted_kernel(fit)
    problem = kernel.problem
    wide_sd = problem.fixed_sd.copy()

    def information(residual_k: float) -> float:
        variance = problem.run_scatter * residual_k**2 + problem.known_variance
        return float(np.sum(1.0 / np.maximum(variance, kernel.least_variance)))

    # With very many rows an aliased effect of spread WIDE_K would be lost in rounding.
    mean_k = float(np.mean(fit.draws(RESIDUAL)))
    wide_k = min(WIDE_K, float(np.sqrt(MOST_INFORMATION / information(mean_k))))
    for column, acts in enumerate(FIXED.values()):
        if acts is not Acts.CONSTANT or not constant_known:
            wide_sd[column] = _flat_width(acts, wide_k)
    loose = kernel.with_fixed_sd(wide_sd)
    terms = fit.design.terms
    factor = np.array([t.role is Role.FACTOR and t.acts is not Acts.EXPONENT for t in terms], bool)
    allowed = np.array([t.role is Role.ALLOWANCE for t in terms], bool)
    width = np.array([_flat_width(term.acts, wide_k) for term in terms])
    for place, term in enumerate(terms):
        prior = fit.priors[term.spread]
        if isinstance(prior, Known):
            # A slope per unit of a column, or an effect that is not shrunk.
            factor[place], width[place] = True, FLAT_SDS * prior.value
        elif term.role is Role.PAIRING:
            factor[place] = is_assumed(fit, term)
    names = [term.name for term in terms if term.role is Role.ALLOWANCE]
    named = set(names) & set(fit.aliases.names)
    crossed = {c.estimable for name in named for c in fit.aliases.of_factor(name)} or {False}
    points, best = parameter_points(fit, fit.thinned(THINNED)), np.zeros(())
    # Where the rows show the scatter only in sum with a spread, some draws have next to none.
    known = np.array([information(residual_k) for residual_k in points.residual[:, 0]])
    limit = max(LOST_INFORMATION / wide_k**2, float(known.min()))
    points = points.part(np.flatnonzero(known <= limit))
    if callable(weights):
        weights = np.stack([weights(float(exponent)) for exponent in points.exponent[:, 0]])
    with one_blas_thread():
        for is_crossed in crossed:
            held = np.where(allowed & (not is_crossed), 0.0, points.spread)
            flat = np.where(factor | (allowed & is_crossed), width, held)
            actual = contrast_variances(kernel, replace(points, spread=held), weights)
            loosened = replace(points, spread=flat)
            alone = contrast_variances(loose, loosened, weights, is_regular=False)
            best = np.maximum(best, actual / np.maximum(alone, 1e-300))
    solved = best[~np.isnan(best).any(axis=1)]
    if not len(solved):
        raise EngineError(SINGULAR)
    return np.asarray(np.clip(np.mean(solved, axis=0), 0.0, 1.0))


def _flat_width(acts: Acts, wide_k: float) -> float:
    return wide_k if acts is Acts.RESISTANCE else BOUNDED_K
