"""Further terms that the rows call for: an outlier's own effect, a cooler's own assembly spread.

The plain fit is asked what it does not explain. What it names gets a term of its own, so that it
no longer pulls the effects of the parts; where nothing is named the plain fit stands.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.inference.checks.omission_groups import units_of
from thermcmp.inference.checks.outliers import Outlier, outliers
from thermcmp.model.priors import HalfCauchy
from thermcmp.model.terms import WIDEST_K, Role, Term

if TYPE_CHECKING:
    from thermcmp.inference.posterior import Fit

#: Choices of `fit(expand=)`.
EXPAND: Final = ("auto", "none")
#: Most outliers that get a term of their own; more are a matter of the law of scatter.
MOST_OUTLIERS: Final = 3
#: Probability that some cooler gets a spread of its own where all have the same.
FALSE_ALARM: Final = 0.02
#: Fewest assemblies of a cooler whose spread is compared.
FEWEST: Final = 3


@dataclass(frozen=True, slots=True, eq=False)
class Expansion:
    """A term that the rows called for, and what called for it."""

    term: Term
    #: What multiplies the term's effects in each row, shape (n,).
    values: Array
    outlier: Outlier | None = None
    cooler: str = ""

    def sentence(self, draws: Callable[[str], Array]) -> str:
        """Describe the finding, by the draws of the fit that holds the term."""
        if self.outlier is not None:
            low, high = np.abs(np.quantile(draws(self.term.name)[:, 0], [0.05, 0.95]))
            low, high = sorted((low, high))
            return (
                f"{self.outlier.sentence} It has an effect of its own in the fit "
                f"({low:.1f} to {high:.1f} K) and does not count for the parts."
            )
        common, more = draws("assembly sd"), draws(self.term.spread)
        spread = np.quantile(np.hypot(common, more), [0.05, 0.95])
        others = np.quantile(common, [0.05, 0.95])
        return (
            f"Cooler {self.cooler} cannot be reassembled reliably: its assemblies spread by "
            f"{spread[0]:.1f} to {spread[1]:.1f} K (standard deviation), those of the others by "
            f"{others[0]:.1f} to {others[1]:.1f} K. Its contrasts carry its own spread."
        )


def called_for(fit: Fit) -> tuple[Expansion, ...]:
    """Return the further terms that the rows of a plain fit call for.

    Two outlying assemblies of one cooler are its spread; a single one may be either, so that
    the fit holds both readings.
    """
    named = outliers(fit)
    if len(named) > MOST_OUTLIERS:
        named = ()
    uneven = _uneven_coolers(fit)
    cooler_of = dict(
        zip(units_of(fit, "assembly").names, _first_coolers(fit, "assembly"), strict=True)
    )
    blamed = [cooler_of[o.name] for o in named if o.kind == "assembly"]
    alone = [
        o
        for o in named
        if o.kind == "run"
        or cooler_of[o.name] not in uneven
        or blamed.count(cooler_of[o.name]) == 1
    ]
    return (
        *(_own_effect(fit, outlier) for outlier in alone),
        *(_own_spread(fit, cooler) for cooler in uneven),
    )


def _first_coolers(fit: Fit, kind: str) -> list[str]:
    """Return the cooler model of each unit."""
    first = np.unique(units_of(fit, kind).codes, return_index=True)[1]
    return [str(model) for model in fit.results["cooler_model"].iloc[first]]


def _own_effect(fit: Fit, outlier: Outlier) -> Expansion:
    units = units_of(fit, outlier.kind)
    name = (
        outlier.name if outlier.name.startswith(outlier.kind) else f"{outlier.kind} {outlier.name}"
    )
    term = Term(
        name,
        role=Role.NUISANCE,
        scale=HalfCauchy(WIDEST_K / 10.0, 2.0 * WIDEST_K),
        meaning=f"outlying {name}",
        values=f"is {name}",
        is_centred=False,
        scales_with_rise=True,
    )
    hit = np.array(units.names, dtype=object)[units.codes] == outlier.name
    return Expansion(term, hit.astype(float), outlier=outlier)


def _uneven_coolers(fit: Fit) -> list[str]:
    """Return the coolers whose assemblies spread more than those of the others.

    Under the fitted model the standardized effects of assemblies are independent standard normals
    at every draw, so the ratio of their mean squares follows F (pivotal quantities: Johnson,
    Bayesian Analysis 2 (2007) 719-734).
    """
    from scipy.stats import f

    place = fit.design.term_position("assembly")
    if place is None:
        return []
    first = np.unique(fit.design.index[:, place], return_index=True)[1]
    cooler = fit.results["cooler_model"].iloc[first].astype(str).to_numpy()
    spread = np.maximum(fit.draws("assembly sd"), 1e-9)[:, None]
    square = (fit.draws("assembly") / spread) ** 2
    names, counts = np.unique(cooler, return_counts=True)
    compared = names[(counts >= FEWEST) & (len(cooler) - counts >= FEWEST)]
    uneven = []
    for name in compared:
        mine = cooler == name
        ratio = square[:, mine].mean(axis=1) / square[:, ~mine].mean(axis=1)
        chance = float(np.mean(f.sf(ratio, mine.sum(), (~mine).sum())))
        if chance * len(compared) < FALSE_ALARM:
            uneven.append(str(name))
    return uneven


def _own_spread(fit: Fit, cooler: str) -> Expansion:
    hit = fit.results["cooler_model"].eq(cooler).to_numpy(bool)
    term = Term(
        f"assembly of {cooler}",
        ("lab", "assembly"),
        Role.NUISANCE,
        HalfCauchy(1.75, WIDEST_K),
        f"assemblies of {cooler} beyond those of the others",
        values=f"cooler is {cooler}",
        is_centred=False,
        scales_with_rise=True,
    )
    return Expansion(term, hit.astype(float), cooler=cooler)
