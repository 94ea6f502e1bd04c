"""Posterior predictive check: whether campaigns replicated from the fit resemble the measured one.

Each replicate has the same runs and parts, and new assemblies, sessions, laboratories and
readings from a draw's spreads. The features compared at the same draw are spreads, extremes
and drifts in kelvin (realised discrepancies: Gelman, Meng & Stern, Statistica Sinica 6 (1996)
733-807).

The share of replicates above the measured campaign is the Bayesian p-value. Since the draws
depend on the data it is closer to one half than a uniform number: values below a occur with
probability 2a at most (Meng, Annals of Statistics 22 (1994) 1142-1160).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array, IntArray
from thermcmp.inference.checks.omission_groups import Units, units_of
from thermcmp.inference.checks.residuals import (
    airflow_factor,
    completed_rise,
    fitted_rise,
    row_variance,
)
from thermcmp.inference.checks.student_weights import drawn_weights, new_weights
from thermcmp.model.design import EXPONENT
from thermcmp.model.terms import Acts, Role

if TYPE_CHECKING:
    from thermcmp.inference.posterior import Fit

#: Replicated campaigns; fewer with many rows, to bound rows times campaigns.
CAMPAIGNS: Final = 1000
FEWEST_CAMPAIGNS: Final = 400
MOST_CELLS: Final = 40_000_000
#: Bayesian p-value, from either end, at which a feature counts as surprising.
SURPRISING: Final = 0.01


@dataclass(frozen=True, slots=True, eq=False)
class Feature:
    """One feature of the measured and of the replicated campaigns at B draws [K]."""

    name: str
    measured: Array  #: shape (B,)
    replicated: Array  #: shape (B,)

    @property
    def p_larger(self) -> float:
        """Share of replicates in which the feature is at least as large."""
        return float(np.mean(self.replicated >= self.measured))

    @property
    def surprising(self) -> bool:
        """Whether the measured campaign is extreme among the replicates."""
        return min(self.p_larger, 1.0 - self.p_larger) < SURPRISING


def predictive_features(
    fit: Fit, *, campaigns: int | None = None, seed: int = 0
) -> tuple[Feature, ...]:
    """Return features of the measured campaign and of replicates from the fit."""
    rng = np.random.default_rng(seed)
    if campaigns is None:
        most = MOST_CELLS // len(fit.design.rise_k)
        campaigns = min(max(most, FEWEST_CAMPAIGNS), CAMPAIGNS)
    chosen = fit.thinned(campaigns)
    features = _features(fit)
    pairs: dict[str, list[tuple[Array, Array]]] = {name: [] for name, _, _ in features}
    plain = fitted_rise(fit, chosen, nuisance=False)
    for (part, whole), (_, parts_only) in zip(fitted_rise(fit, chosen), plain, strict=True):
        variance = row_variance(fit, part, drawn_weights(fit, part, whole, rng))
        y = completed_rise(fit, whole, variance, rng)
        new_variance = row_variance(fit, part, new_weights(fit, part, rng))
        noise = np.sqrt(new_variance) * rng.standard_normal(new_variance.shape)
        residuals = {
            False: (y - whole, noise),
            True: (y - parts_only, noise + _new_nuisance(fit, part, rng)),
        }
        for name, is_reassembled, statistic in features:
            measured, replicated = residuals[is_reassembled]
            pairs[name].append((statistic(measured), statistic(replicated)))
    return tuple(
        Feature(name, *(np.concatenate(side) for side in zip(*parts, strict=True)))
        for name, parts in pairs.items()
    )


def _new_nuisance(fit: Fit, part: IntArray, rng: np.random.Generator) -> Array:
    """Return the effects of new assemblies, sessions and laboratories on rows, (B, n) [K]."""
    design, coefficients = fit.design, fit.design.coefficients
    total = np.zeros((len(part), len(design.rise_k)))
    for k, (term, levels) in enumerate(zip(design.terms, design.levels, strict=True)):
        if term.role is Role.NUISANCE:
            new = rng.standard_normal((len(part), len(levels))) * fit.draws(term.spread)[part, None]
            effect = new[:, design.index[:, k]]
            if term.acts is Acts.AIRFLOW:
                effect = effect * airflow_factor(design, fit.draws(EXPONENT)[part])
            total += effect * coefficients[:, len(design.fixed_priors) + k]
    return total


_Statistic = Callable[["Array"], "Array"]


def _features(fit: Fit) -> list[tuple[str, bool, _Statistic]]:
    """Return name, whether the parts are reassembled, and statistic of residuals (B, n)."""
    features: list[tuple[str, bool, _Statistic]] = [
        ("spread of the residuals", False, lambda e: np.sqrt(np.mean(e**2, axis=1))),
        ("largest residual", False, lambda e: np.max(np.abs(e), axis=1)),
    ]
    assemblies = units_of(fit, "assembly")
    sizes, codes = assemblies.sizes, assemblies.codes
    if len(sizes) > 1 and (sizes > 1).any():
        freedom = float(np.sum(sizes - 1))

        def within(e: Array) -> Array:
            apart = e - _means(assemblies, e)[:, codes]
            return np.asarray(np.sqrt(np.sum(apart**2, axis=1) / freedom))

        features.append(("spread within assemblies", True, within))
    if len(sizes) > 2:

        def between(e: Array) -> Array:
            return np.asarray(np.std(_means(assemblies, e), axis=1, ddof=1))

        features.append(("spread between assemblies", True, between))
    # Position of each run in its session, from -½ (first) to ½ (last), ordered by starting time
    # if every run has one, else by row.
    when = fit.design.rows.index.to_series()
    if "started_at" in fit.design.rows and not fit.design.rows["started_at"].isna().any():
        when = fit.design.rows["started_at"]
    place = when.groupby(units_of(fit, "session").codes)
    rank = place.rank(method="average").to_numpy(float) - 1.0
    last = np.maximum(place.transform("size").to_numpy(float) - 1.0, 1.0)
    order = np.where(last > 1.0, rank / last - 0.5, 0.0)
    if np.any(order):
        scale = float(np.sum(order**2))
        features.append(("drift over a session", False, lambda e: np.asarray(e @ order) / scale))
    return features


def _means(units: Units, e: Array) -> Array:
    """Return the mean of each unit, shape (B, G)."""
    first = np.cumsum(units.sizes) - units.sizes
    order = np.argsort(units.codes, kind="stable")
    return np.asarray(np.add.reduceat(e[:, order], first, axis=1) / units.sizes)
