"""Prior influence by power-scaling: how an answer changes when the priors weigh more or less.

Priors or likelihood are raised to a power alpha near 1 and the draws are reweighted; the
sensitivity is the change of an answer's distribution per doubling of alpha, as cumulative
Jensen-Shannon distance (Kallioinen, Paananen, Bürkner & Vehtari, Statistics and Computing 34
(2024) 57). Priors are those of baselines, exponent and spreads; the likelihood is that of the
rows given the effects. The distribution of the effects given their spreads belongs to the model
and is not scaled: powers of it would pull every spread to zero.

`data_share` measures how much of an answer comes from the data; the sensitivity, whether
moderately different priors would have given another answer.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array, IntArray
from thermcmp.inference.arviz_adapter import smoothed_weights
from thermcmp.inference.censoring import log_at_least, log_within_step, readings_of
from thermcmp.inference.checks.residuals import LEAST_VARIANCE, fitted_rise
from thermcmp.inference.regulated_likelihood import is_informed, row_log_jacobians
from thermcmp.model.design import EXPONENT, RESIDUAL
from thermcmp.model.observation import DEGREES, Residuals
from thermcmp.model.priors import LOG_SQRT_2PI

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from thermcmp.inference.posterior import Fit

#: Powers at which the change is measured.
ALPHAS: Final = (0.99, 1.01)
#: Sensitivity from which an answer counts as sensitive (Kallioinen et al. 2024, sec. 2.4).
SENSITIVE: Final = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class Sensitivity:
    """Change of m quantities per doubling of the power of prior and of likelihood [-]."""

    prior: Array  #: shape (m,)
    likelihood: Array  #: shape (m,); NaN where the prior is not felt
    #: Parameter whose prior alone changes the quantity most; "" if all priors together do not.
    strongest: tuple[str, ...]

    @property
    def words(self) -> tuple[str, ...]:
        """Verdict on each quantity."""
        decides = np.where(self.prior >= self.likelihood, "the prior decides", "the prior matters")
        return tuple(np.where(self.prior >= SENSITIVE, decides, "ok").tolist())


def power_scaling(fit: Fit, quantities: Array) -> Sensitivity:
    """Return the sensitivity of posterior quantities, shape (m, S)."""
    each = prior_log_densities(fit)
    prior = sensitivity(quantities, each.sum(axis=0))
    strongest, likelihood = [""] * len(quantities), np.full(len(quantities), np.nan)
    moved = np.flatnonzero(prior >= SENSITIVE)
    if len(moved):
        alone = np.stack([sensitivity(quantities[moved], prior_density) for prior_density in each])
        for place, best in zip(moved, np.argmax(alone, axis=0), strict=True):
            strongest[place] = fit.parameter_names[best]
        likelihood[moved] = sensitivity(quantities[moved], log_likelihood(fit))
    return Sensitivity(prior, likelihood, tuple(strongest))


def sensitivity(quantities: Array, log_density: Array, alphas: Sequence[float] = ALPHAS) -> Array:
    """Return the change (m,) of quantities (m, S) per doubling of the power of a density (S,)."""
    moves = np.all(np.isfinite(quantities), axis=1)
    moves[moves] = np.ptp(quantities[moves], axis=1) > 0
    change = np.full(len(quantities), np.nan)
    if moves.any():
        change[moves] = np.mean(
            [
                cumulative_distance(quantities[moves], smoothed_weights((a - 1.0) * log_density)[0])
                / abs(np.log2(a))
                for a in alphas
            ],
            axis=0,
        )
    return change


def cumulative_distance(draws: Array, weights: Array) -> Array:
    """Return the cumulative Jensen-Shannon distance (m,) of draws (m, S) to the weighted draws.

    References
    ----------
    Nguyen & Vreeken, Non-parametric Jensen-Shannon divergence, ECML PKDD 2015.
    """
    order = np.argsort(draws, axis=1)
    width = np.diff(np.take_along_axis(draws, order, axis=1), axis=1)
    weighted = np.cumsum(weights[order], axis=1)[:, :-1]
    plain = np.arange(1, draws.shape[1]) / draws.shape[1]
    above = _one_sided(1.0 - plain, 1.0 - weighted, width)
    return np.maximum(_one_sided(plain, weighted, width), above)


def _one_sided(p: Array, q: Array, width: Array) -> Array:
    """Return the distance of cumulative curves over steps of some widths, shape (m,)."""
    q = np.clip(q, 0.0, 1.0)
    middle = 0.5 * (p + q)
    # x log2(x / middle) goes to 0 with x.
    with np.errstate(divide="ignore", invalid="ignore"):
        inside = np.where(p > 0, p * np.log2(p / middle), 0.0)
        inside += np.where(q > 0, q * np.log2(q / middle), 0.0)
    # The two integral terms of the two divergences cancel in their sum.
    distance = np.sum(width * inside, axis=1) / np.sum(width * (p + q), axis=1)
    return np.asarray(np.sqrt(np.maximum(0.0, distance)))


def prior_log_densities(fit: Fit) -> Array:
    """Return the log density of each parameter's prior at each draw, shape (parameters, S)."""
    densities = []
    for name in fit.parameter_names:
        prior = fit.priors[name]
        # By change of variable; the bound keeps a spread of exactly zero finite.
        z = np.maximum(prior.to_standard(fit.draws(name)), -8.0)
        densities.append(-0.5 * z**2 - LOG_SQRT_2PI - np.log(prior.derivative(z)))
    return np.stack(densities)


def log_likelihood(fit: Fit) -> Array:
    """Return the log likelihood of all rows given effects and parameters, shape (S,)."""
    return np.concatenate([np.sum(each, axis=1) for _, each in row_log_likelihood(fit)])


def row_log_likelihood(fit: Fit) -> Iterator[tuple[IntArray, Array]]:
    """Yield indices of draws (B,) and the log likelihood of every row (B, n), part by part."""
    from scipy.stats import t

    design, readings = fit.design, readings_of(fit.design)
    for part, mean in fitted_rise(fit):
        residual = fit.draws(RESIDUAL)[part][:, None]
        variance = np.maximum(design.run_scatter * residual**2 + readings.variance, LEAST_VARIANCE)
        scale = np.sqrt(variance)
        rest = readings.bound - mean
        out = -0.5 * (rest / scale) ** 2 - np.log(scale) - LOG_SQRT_2PI
        if design.residuals is Residuals.STUDENT:
            runs = design.run_scatter > 0
            degrees = fit.draws(DEGREES)[part][:, None]
            out[:, runs] = t.logpdf(rest[:, runs], degrees, scale=scale[:, runs])
        limit, step = readings.limit, readings.step
        if len(limit):
            out[:, limit] = log_at_least(readings.side * rest[:, limit], scale[:, limit])
        if len(step):
            out[:, step] = log_within_step(rest[:, step], scale[:, step], design.step_k[step])
        if is_informed(design):
            rows, logs = row_log_jacobians(design, fit.effects_at(part), fit.draws(EXPONENT)[part])
            out[:, rows] += logs
        yield part, out
