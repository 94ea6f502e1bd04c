"""How well a model predicts groups of rows from all others, and the weights of several models.

Log predictive density of each group with its effects and the parameters integrated out:
Pareto-smoothed importance sampling over the parameters (Vehtari, Gelman & Gabry, Statistics and
Computing 27 (2017) 1413-1432), and a fit without the group where the weights cannot be trusted.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from thermcmp._types import Array, IntArray
from thermcmp.inference.checks.leave_out import LeaveOut, draws_for
from thermcmp.inference.checks.refits import fit_without
from thermcmp.inference.diagnostics import Health

if TYPE_CHECKING:
    from thermcmp.inference.posterior import Fit

#: Posterior draws of a model, and of a fit without one group.
DRAWS: Final = 1000
#: Refits by default.
REFITS: Final = 8
#: A difference below this is small whatever its standard error, which is then too small
#: (Sivula, Magnusson, Matamoros & Vehtari, arXiv:2008.10296, section 1 and 5).
SMALL: Final = 4.0


@dataclass(frozen=True, slots=True, eq=False)
class GroupDensity:
    """Log predictive density of G groups, each given all other rows."""

    each: Array  #: shape (G,)
    unsure: IntArray  #: groups of which it may be too large, since their weights are not trusted

    @property
    def total(self) -> float:
        """Sum over the groups (elpd)."""
        return float(np.sum(self.each))

    def difference(self, other: GroupDensity) -> tuple[float, float]:
        """Return this total less another model's, and its standard error."""
        apart = self.each - other.each
        return float(np.sum(apart)), float(np.sqrt(len(apart) * np.var(apart, ddof=1)))


def group_density(fit: Fit, codes: IntArray, *, refits: int = REFITS) -> GroupDensity:
    """Return the log predictive density of groups of rows, codes (n,) from 0."""
    from scipy.special import logsumexp

    (left,) = LeaveOut(fit, [codes], draws=draws_for(fit, DRAWS)).each()
    with np.errstate(divide="ignore"):
        each = logsumexp(left.log_density + np.log(left.weights), axis=0)
    doubted = np.flatnonzero(~left.trusted)
    doubted = doubted[np.argsort(-np.nan_to_num(left.k[doubted], nan=np.inf), kind="stable")]
    unsure = []
    for place, group in enumerate(doubted):
        exact = _without(fit, codes, int(group)) if place < refits else None
        if exact is None:
            unsure.append(group)
        else:
            each[group] = exact
    return GroupDensity(np.asarray(each), np.array(unsure, np.intp))


def _without(fit: Fit, codes: IntArray, group: int) -> float | None:
    """Return the log density of a group by a fit of the other rows; None if that failed."""
    from scipy.special import logsumexp

    if fit.engine != "conditional":
        return None
    others = fit_without(fit, codes == group, draws=DRAWS)
    if others.health is Health.BAD:
        return None
    at_others = replace(fit, posterior=others.posterior)
    (left,) = LeaveOut(at_others, [codes], draws=draws_for(fit, DRAWS)).each()
    logs = left.log_density[:, group]
    return float(logsumexp(logs) - np.log(len(logs)))


def predict_alike(difference: float, error: float) -> bool:
    """Return whether two models predict about equally well, by their difference and its error."""
    return abs(difference) <= max(2.0 * error, SMALL)


def stacking_weights(log_density: Array) -> Array:
    """Return the weights of models, shape (K,), whose mixture predicts best; log densities (K, G).

    References
    ----------
    Yao, Vehtari, Simpson & Gelman, Bayesian Analysis 13 (2018) 917-1007, section 3.
    """
    from scipy.optimize import minimize

    density = np.exp(log_density - np.max(log_density, axis=0))
    count = len(density)

    def negative(weights: Array) -> tuple[float, Array]:
        mixed = np.maximum(weights @ density, 1e-300)
        return -float(np.mean(np.log(mixed))), -np.mean(density / mixed, axis=1)

    is_whole: Any = {"type": "eq", "fun": lambda w: np.sum(w) - 1.0}
    best = minimize(
        negative,
        np.full(count, 1.0 / count),
        jac=True,
        method="SLSQP",
        bounds=[(0.0, 1.0)] * count,
        constraints=is_whole,
        options={"ftol": 1e-12, "maxiter": 1000},
    )
    weights = np.where(best.x > 1e-6, best.x, 0.0)
    return np.asarray(weights / np.sum(weights))
