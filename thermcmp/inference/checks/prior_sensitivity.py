"""Prior influence by power-scaling: what an answer does when the priors weigh more or less.

Priors or likelihood are raised to a power alpha near 1; the draws are reweighted for it, and
the sensitivity is the change of an answer's distribution per doubling of alpha, as
cumulative Jensen-Shannon distance (Kallioinen, Paananen, Bürkner & Vehtari, Statistics and
Computing 34 (2024) 57). "Priors" are the stated ones of baselines, exponent and spreads, the
likelihood is that of the rows given the effects. The distribution of the effects given their
spreads belongs to the model, as a likelihood does, and is raised to no power: powers of it
would pull every spread to zero, whatever the rows say.

How this differs from `data_share`: the share says how much of an answer the data hold at
all; the sensitivity says whether somewhat other priors would have given another answer. A
split between aliased factors has share 0 although no stated prior need move it, and a well
measured contrast may still move with a prior that is far off.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array, IntArray
from thermcmp.inference.arviz_adapter import smoothed_weights
from thermcmp.inference.censoring import readings_of
from thermcmp.inference.checks.residuals import LEAST_VARIANCE, fitted_rise
from thermcmp.inference.regulated_likelihood import is_informed, log_jacobian
from thermcmp.model.design import EXPONENT, RESIDUAL
from thermcmp.model.observation import DEGREES, Residuals
from thermcmp.model.priors import LOG_SQRT_2PI

if TYPE_CHECKING:
    from collections.abc import Sequence

    from thermcmp.inference.posterior import Fit
    from thermcmp.model.priors import Prior

#: Powers at which the change is taken.
ALPHAS: Final = (0.99, 1.01)
#: Sensitivity from which an answer counts as moved (Kallioinen et al. 2024, sec. 2.4).
SENSITIVE: Final = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class Sensitivity:
    """Sensitivity of quantities to prior and likelihood.

    Attributes
    ----------
    prior, likelihood : ndarray, shape (m,)
        Change of each quantity per doubling of the power [-].
    strongest : tuple of str
        The parameter whose prior alone moves the quantity most; "" where the priors
        together do not move it.
    """

    prior: Array
    likelihood: Array
    strongest: tuple[str, ...]

    @property
    def words(self) -> tuple[str, ...]:
        """What each quantity's two numbers say."""
        return tuple(_words(p, q) for p, q in zip(self.prior, self.likelihood, strict=True))


def _words(prior: float, likelihood: float) -> str:
    if not prior >= SENSITIVE:
        return "ok"
    return "the prior decides" if prior >= likelihood else "the prior matters"


def power_scaling(fit: Fit, quantities: Array) -> Sensitivity:
    """Power-scale priors and likelihood for quantities of the posterior.

    Shapes: quantities (m, S).
    """
    each = prior_log_densities(fit)
    prior = sensitivity(quantities, each.sum(axis=0))
    strongest = [""] * len(quantities)
    moved = np.flatnonzero(prior >= SENSITIVE)
    if len(moved):
        alone = np.stack([sensitivity(quantities[moved], one) for one in each])
        for place, best in zip(moved, np.argmax(alone, axis=0), strict=True):
            strongest[place] = fit.parameter_names[best]
    likelihood = sensitivity(quantities, log_likelihood(fit))
    return Sensitivity(prior, likelihood, tuple(strongest))


def sensitivity(quantities: Array, log_density: Array, alphas: Sequence[float] = ALPHAS) -> Array:
    """Change of quantities per doubling of the power of one part of the posterior.

    Shapes: quantities (m, S), log_density (S,). Returns (m,).
    """
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
    """Cumulative Jensen-Shannon distance between draws and the same draws weighted.

    Shapes: draws (m, S), weights (S,). Returns (m,).

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
    """The distance of cumulative curves over steps of the given widths, shape (m,)."""
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
    """Log density of each parameter's prior at each draw, shape (parameters, S)."""
    return np.stack(
        [_log_density(fit.priors[name], fit.draws(name)) for name in fit.parameter_names]
    )


def _log_density(prior: Prior, value: Array) -> Array:
    """Log density by change of variable from the standard normal coordinate."""
    z = np.maximum(prior.to_standard(value), -8.0)  # a spread of exactly zero stays finite
    return np.asarray(-0.5 * z**2 - LOG_SQRT_2PI - np.log(prior.derivative(z)))


def log_likelihood(fit: Fit) -> Array:
    """Log likelihood of all rows given effects and parameters, at each draw, shape (S,)."""
    total = np.zeros(len(fit.draws(fit.parameter_names[0])))
    for part, mean in fitted_rise(fit):
        total[part] = np.sum(_log_densities(fit, part, mean), axis=1)
    if is_informed(fit.design):
        total += log_jacobian(fit.design, fit.effects, fit.draws(EXPONENT))
    return total


def _log_densities(fit: Fit, part: IntArray, mean: Array) -> Array:
    """Log density, or log probability, of each row at the draws `part`, shape (B, n)."""
    from scipy.special import log_ndtr
    from scipy.stats import t

    design, known = fit.design, readings_of(fit.design)
    residual = fit.draws(RESIDUAL)[part][:, None]
    variance = np.maximum(design.run_scatter * residual**2 + known.variance, LEAST_VARIANCE)
    scale = np.sqrt(variance)
    rest = known.bound - mean
    out = -0.5 * (rest / scale) ** 2 - np.log(scale) - LOG_SQRT_2PI
    if design.residuals is Residuals.STUDENT:
        runs = design.run_scatter > 0
        degrees = fit.draws(DEGREES)[part][:, None]
        out[:, runs] = t.logpdf(rest[:, runs], degrees, scale=scale[:, runs])
    if len(known.limit):
        out[:, known.limit] = log_ndtr(-(rest / scale)[:, known.limit])
    if len(known.step):
        sd, half = scale[:, known.step], design.step_k[known.step] / 2.0
        # By symmetry both edges are on one side, where the tail keeps its digits.
        middle = np.abs(rest[:, known.step])
        near, far = log_ndtr((half - middle) / sd), log_ndtr((-half - middle) / sd)
        out[:, known.step] = near + np.log(-np.expm1(far - near))
    return np.asarray(out)
