"""Posterior predictive check: whether campaigns made by the fit look like the measured one.

For each of some draws a campaign is made anew: same runs and parts, new assemblies, sessions,
laboratories and readings from the draw's spreads. What is looked at in both is a spread, an
extreme or a drift in kelvin, computed at the same draw (realised discrepancies: Gelman, Meng
& Stern, Statistica Sinica 6 (1996) 733-807).

The share of campaigns that lie above the measured one is the Bayesian p-value. Since the
draws have seen the data it keeps nearer to one half than a uniform number would: values
below a come at most with probability 2a (Meng, Annals of Statistics 22 (1994) 1142-1160).
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
from thermcmp.model.design import EXPONENT, FIXED
from thermcmp.model.terms import Acts, Role

if TYPE_CHECKING:
    from thermcmp.inference.posterior import Fit

#: Campaigns made; where rows are many fewer, so that rows times campaigns keep below a number.
CAMPAIGNS: Final = 1000
FEWEST_CAMPAIGNS: Final = 400
MOST_CELLS: Final = 40_000_000
#: Bayesian p-value, from either end, at which a feature counts as surprising.
SURPRISING: Final = 0.01


@dataclass(frozen=True, slots=True, eq=False)
class Feature:
    """One feature of the campaign, measured and made.

    Attributes
    ----------
    name : str
        What it is.
    measured, made : ndarray, shape (B,)
        The feature of the measured and of the made campaign at each draw [K].
    """

    name: str
    measured: Array
    made: Array

    @property
    def p_larger(self) -> float:
        """Share of made campaigns in which the feature is at least as large."""
        return float(np.mean(self.made >= self.measured))

    @property
    def surprising(self) -> bool:
        """Whether the measured campaign lies far out among the made ones."""
        return min(self.p_larger, 1.0 - self.p_larger) < SURPRISING


def predictive_features(
    fit: Fit, *, campaigns: int | None = None, seed: int = 0
) -> tuple[Feature, ...]:
    """Features of the measured campaign among campaigns that the fit makes."""
    rng = np.random.default_rng(seed)
    if campaigns is None:
        most = MOST_CELLS // len(fit.design.rise_k)
        campaigns = min(max(most, FEWEST_CAMPAIGNS), CAMPAIGNS)
    chosen = fit.thinned(campaigns)
    looks = _features(fit)
    found: dict[str, list[tuple[Array, Array]]] = {name: [] for name, _, _ in looks}
    plain = fitted_rise(fit, chosen, nuisance=False)
    for (part, whole), (_, parts_only) in zip(fitted_rise(fit, chosen), plain, strict=True):
        variance = row_variance(fit, part, drawn_weights(fit, part, whole, rng))
        y = completed_rise(fit, whole, variance, rng)
        new_variance = row_variance(fit, part, new_weights(fit, part, rng))
        noise = np.sqrt(new_variance) * rng.standard_normal(new_variance.shape)
        pairs = {
            False: (y - whole, noise),
            True: (y - parts_only, noise + _new_nuisance(fit, part, rng)),
        }
        for name, mounted_anew, look in looks:
            measured, made = pairs[mounted_anew]
            found[name].append((look(measured), look(made)))
    return tuple(
        Feature(name, *(np.concatenate(side) for side in zip(*parts, strict=True)))
        for name, parts in found.items()
    )


def _new_nuisance(fit: Fit, part: IntArray, rng: np.random.Generator) -> Array:
    """Effects of new assemblies, sessions and laboratories on each row, shape (B, n) [K]."""
    design, coefficients = fit.design, fit.design.coefficients
    total = np.zeros((len(part), len(design.rise_k)))
    for k, (term, levels) in enumerate(zip(design.terms, design.levels, strict=True)):
        if term.role is Role.NUISANCE:
            new = rng.standard_normal((len(part), len(levels))) * fit.draws(term.spread)[part, None]
            moved = new[:, design.index[:, k]]
            if term.acts is Acts.AIRFLOW:
                moved = moved * airflow_factor(design, fit.draws(EXPONENT)[part])
            total += moved * coefficients[:, len(FIXED) + k]
    return total


_Look = Callable[["Array"], "Array"]


def _features(fit: Fit) -> list[tuple[str, bool, _Look]]:
    """Name, whether assemblies are made anew for it, and how to see it in rests (B, n)."""
    looks: list[tuple[str, bool, _Look]] = [
        ("spread of the residuals", False, lambda e: np.sqrt(np.mean(e**2, axis=1))),
        ("largest residual", False, lambda e: np.max(np.abs(e), axis=1)),
    ]
    assemblies = units_of(fit, "assembly")
    sizes = assemblies.sizes
    if len(sizes) > 1 and (sizes > 1).any():
        looks.append(("spread within assemblies", True, _within(assemblies)))
    if len(sizes) > 2:
        looks.append(("spread between assemblies", True, _between(assemblies)))
    order = _order_in_session(fit)
    if np.any(order):
        scale = float(np.sum(order**2))
        looks.append(("drift over a session", False, lambda e: np.asarray(e @ order) / scale))
    return looks


def _means(units: Units, e: Array) -> Array:
    """Mean of each unit, shape (B, G)."""
    first = np.cumsum(units.sizes) - units.sizes
    order = np.argsort(units.codes, kind="stable")
    return np.asarray(np.add.reduceat(e[:, order], first, axis=1) / units.sizes)


def _within(units: Units) -> _Look:
    freedom = float(np.sum(units.sizes - 1))
    return lambda e: np.sqrt(np.sum((e - _means(units, e)[:, units.codes]) ** 2, axis=1) / freedom)


def _between(units: Units) -> _Look:
    return lambda e: np.std(_means(units, e), axis=1, ddof=1)


def _order_in_session(fit: Fit) -> Array:
    """Place of each run in its session, from -½ (first) to ½ (last), shape (n,).

    By starting time where every run has one, else by the order of the rows.
    """
    rows = fit.results
    when = rows.index.to_series()
    if "started_at" in rows and not rows["started_at"].isna().any():
        when = rows["started_at"]
    place = when.groupby(units_of(fit, "session").codes)
    rank = place.rank(method="average").to_numpy(float) - 1.0
    last = np.maximum(place.transform("size").to_numpy(float) - 1.0, 1.0)
    order = np.where(last > 1.0, rank / last - 0.5, 0.0)
    return np.asarray(order)
