"""How much of an estimate comes from the data, and how much from the prior."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp.inference.kernel import Kernel, Points
from thermcmp.inference.problem import thermal_problem
from thermcmp.model.design import EXPONENT, RESIDUAL
from thermcmp.model.priors import Array
from thermcmp.model.terms import Acts, Role

if TYPE_CHECKING:
    from thermcmp.inference.posterior import Fit

#: Spread that stands for "no prior" on a separated factor [K].
WIDE_K: Final = 1e4
#: Posterior draws over which the share is averaged.
THINNED: Final = 40


def data_share(fit: Fit, weights: Array) -> Array:
    """Share of each contrast's information that comes from the data.

    At given spreads the information of a contrast adds up: 1/V = 1/V_data +
    1/V_prior. V_data is the variance with a flat prior on every separated factor
    (cooler and board model, memory vendor, kind of assembly …), so the share
    V/V_data is 1 where the data decide and 0 where they say nothing, as for the
    split between two factors that always changed together. The share is averaged
    over posterior draws of the spreads.

    Parameters
    ----------
    fit : Fit
        The fit.
    weights : ndarray, shape (m, q)
        Contrasts of the effects.

    Returns
    -------
    ndarray, shape (m,)
        Shares between 0 and 1.
    """
    from threadpoolctl import threadpool_limits

    kernel = Kernel(thermal_problem(fit.design)[0])
    spread = np.stack([fit.draws(term.spread) for term in fit.design.terms], axis=1)
    factor = np.array(
        [t.role is Role.FACTOR and t.acts is Acts.RESISTANCE for t in fit.design.terms], bool
    )
    exponent, residual = fit.draws(EXPONENT), fit.draws(RESIDUAL)
    picked = np.linspace(0, len(exponent) - 1, THINNED).astype(int)
    shares = []
    with threadpool_limits(limits=1, user_api="blas"):
        for i in picked:
            point = Points(exponent[i : i + 1], spread[i : i + 1], residual[i : i + 1])
            flat = Points(point.exponent, np.where(factor, WIDE_K, point.spread), point.residual)
            variances = [
                np.einsum("mi,ij,mj->m", weights, kernel.effect_moments(p)[1], weights)
                for p in (point, flat)
            ]
            shares.append(variances[0] / np.maximum(variances[1], 1e-300))
    return np.clip(np.mean(shares, axis=0), 0.0, 1.0)
