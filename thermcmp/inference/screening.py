"""What a fit does not explain, and the further terms that it calls for.

An outlier gets an effect of its own, so that it no longer pulls those of the parts; a cooler whose
assemblies spread more than others' gets a spread of its own. Where nothing is named the fit stands.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import BoolArray, IntArray
from thermcmp.inference.checks.lack_of_fit import lack_of_fit
from thermcmp.inference.checks.omission_groups import units_of
from thermcmp.inference.checks.outlier import Outlier
from thermcmp.inference.checks.outliers import outliers
from thermcmp.inference.expansion import Expansion
from thermcmp.inference.row_doubts import doubts
from thermcmp.model.priors import HalfCauchy
from thermcmp.model.rows import level_keys
from thermcmp.model.terms import AMBIENT, DERIVED, DRIFT, SETTLING, TREND, WIDEST_K, Role, Term

if TYPE_CHECKING:
    from collections.abc import Iterable

    import pandas as pd

    from thermcmp.inference.diagnostics import Diagnostics
    from thermcmp.inference.posterior import Fit

#: Choices of `fit(expand=)`.
EXPAND: Final = ("auto", "none")
#: Most rows of a fit that is screened.
MOST_ROWS: Final = 5000
#: Most outliers that get a term of their own; more are a matter of the law of scatter.
MOST_OUTLIERS: Final = 3
#: Mean tail probability below which a cooler gets a spread of its own. Averaged over draws it is
#: never as small by chance (docs/model.md).
FALSE_ALARM: Final = 0.1
#: Most coolers of a fit in which one that was assembled rarely gets its own spread, the repeated
#: assemblies below which it was, and their share in those of all.
FEW_COOLERS: Final = 3
RARE: Final = 4
RARE_SHARE: Final = 0.25
#: What readings follow beside the parts, and the unit of its slope, by term.
_SLOPES: Final = {
    DRIFT: ("over a session, in the order of runs", "per hour (drift)"),
    TREND: ("from session to session", "over the bench's time (trend)"),
    AMBIENT: ("with ambient temperature", "per 10 K"),
    SETTLING: ("from run to run of an assembly", "per run (settling)"),
}
#: Least correction for a slope that is stated [K].
WORTH_K: Final = 0.3
#: Fewest assemblies of a cooler whose spread is compared.
FEWEST: Final = 3


def called_for(fit: Fit) -> tuple[Expansion, ...]:
    """Return the further terms that the rows of a fit call for beyond those that it has.

    Outliers are freed one by one, the most extreme first, since it may make others look odd. Two
    outlying assemblies of one cooler are its spread; a single one may be either, so that the fit
    holds both readings.
    """
    freed = {e.outlier.name for e in fit.expansions if e.outlier is not None}
    spread = {e.cooler for e in fit.expansions}
    uneven = [] if freed else _coolers_of_own_spread(fit)
    units = units_of(fit, "assembly")
    cooler_of = dict(zip(units.names, coolers_of(fit, units.codes), strict=True))
    named = [o for o in outliers(fit) if o.name not in freed]
    blamed = [cooler_of[o.name] for o in named if o.kind == "assembly"]
    alone = [
        o for o in named if o.kind == "run" or blamed.count(cooler_of[o.name]) == 1 or not uneven
    ]
    worst = sorted(alone, key=lambda outlier: outlier.chance)[: len(freed) < MOST_OUTLIERS]
    return (
        *map(_own_effect, worst),
        *(own_spread(cooler) for cooler in uneven if cooler not in spread),
    )


def rows_called(fit: Fit, expansion: Expansion) -> BoolArray:
    """Return the rows that an expansion is about, shape (n,)."""
    if expansion.outlier is None:
        return fit.design.rows["cooler_model"].eq(expansion.cooler).to_numpy(bool)
    units = units_of(fit, expansion.outlier.kind)
    return units.codes == units.names.index(expansion.outlier.name)


def marked_rows(fit: Fit, expansions: Iterable[Expansion]) -> pd.DataFrame:
    """Return a fit's rows with the columns that the terms of expansions read."""
    marks = {str(e.term.values): rows_called(fit, e).astype(float) for e in expansions}
    return fit.design.rows.assign(**marks)


def findings(fit: Fit, diagnostics: Diagnostics) -> tuple[str, ...]:
    """Return what to look at in a fit, in plain words."""
    misfit = fit.once("lack of fit", lack_of_fit)
    return (
        *doubts(fit),
        *diagnostics.sentences,
        *expansion_words(fit),
        *([misfit.sentence] if misfit is not None and misfit.sentence else []),
        *(outlier.sentence for outlier in outliers(fit)),
    )


def expansion_words(fit: Fit) -> list[str]:
    """State which further terms the rows called for, and what they were found to do."""
    sentences = [expansion.sentence(fit.draws) for expansion in fit.expansions]
    for place, (term, levels) in enumerate(zip(fit.design.terms, fit.design.levels, strict=True)):
        if term.name not in _SLOPES:
            continue
        way, per = _SLOPES[term.name]
        for code, (level, draws) in enumerate(zip(levels, fit.draws(term.name).T, strict=True)):
            low, high = np.quantile(draws, [0.05, 0.95])
            if low < 0.0 < high:
                continue
            ends = sorted((abs(low), abs(high)))
            where = f" at {level}" if len(levels) > 1 else ""
            sentences.append(
                f"Readings {'rise' if low > 0.0 else 'fall'} {way}{where}, by {ends[0]:.2f} to "
                f"{ends[1]:.2f} K {per}; the answers are freed of it"
                f"{_moved_words(fit, place, code, float(np.mean(draws)))}."
            )
    return sentences


def _moved_words(fit: Fit, place: int, code: int, slope: float) -> str:
    """State how far a slope moves the coolers that lie farthest apart on it; "" for little."""
    rows = fit.design.index[:, place] == code
    moved = fit.design.rows[["cooler_model"]][rows].assign(
        by_k=slope * fit.design.values[rows, place]
    )
    means = moved.groupby("cooler_model", observed=True)["by_k"].mean()
    by_k = float(np.ptp(means))
    if by_k < WORTH_K:
        return ""
    return (
        f", which moves cooler {means.idxmax()} against {means.idxmin()} by {by_k:.1f} K and takes "
        "the change to be steady"
    )


def coolers_of(fit: Fit, codes: IntArray) -> list[str]:
    """Return the cooler model of each unit, by the unit of every row (n,)."""
    first = np.unique(codes, return_index=True)[1]
    return fit.design.rows["cooler_model"].iloc[first].astype(str).to_list()


def _own_effect(outlier: Outlier) -> Expansion:
    kind, name = outlier.kind, outlier.name
    name = name if name.startswith(kind) else f"{kind} {name}"
    scale = HalfCauchy(WIDEST_K / 10.0, 2.0 * WIDEST_K)
    return Expansion(_marked_term(name, (), scale, f"outlying {name}", name), outlier=outlier)


def _coolers_of_own_spread(fit: Fit) -> list[str]:
    """Return the coolers whose assemblies may not be taken to spread as those of the others do.

    They spread more; or, among few coolers, one was assembled so rarely that its spread would be
    that of the others.

    Under the fitted model the standardized effects of assemblies are independent standard normals
    at every draw, so the ratio of their mean squares follows F (pivotal quantities: Johnson,
    Bayesian Analysis 2 (2007) 719-734).
    """
    from scipy.stats import f

    place = fit.design.term_position("assembly")
    if place is None:
        return []
    codes = fit.design.index[:, place]
    cooler = np.array(coolers_of(fit, codes))
    spread = np.maximum(fit.draws("assembly sd"), 1e-9)[:, None]
    square = (fit.draws("assembly") / spread) ** 2
    names, counts = np.unique(cooler, return_counts=True)
    compared = names[(counts >= FEWEST) & (len(cooler) - counts >= FEWEST)]
    uneven = _rarely_assembled(fit, codes) if len(names) <= FEW_COOLERS else []
    for name in compared:
        if name in uneven:
            continue
        mine = cooler == name
        ratio = square[:, mine].mean(axis=1) / square[:, ~mine].mean(axis=1)
        chance = float(np.mean(f.sf(ratio, mine.sum(), (~mine).sum())))
        if chance * len(compared) < FALSE_ALARM:
            uneven.append(str(name))
    return uneven


def _rarely_assembled(fit: Fit, codes: IntArray) -> list[str]:
    """Return the coolers with few repeated assemblies of a pair beside many of the others."""
    # An assembly is of one pair, so that repeats are assemblies beyond the pairs.
    counted = fit.design.rows.assign(
        assembly=codes, pair=level_keys(fit.design.rows, ("cooler_model", "board_model"))
    )
    distinct = counted.groupby(counted["cooler_model"].astype(str))[["assembly", "pair"]].nunique()
    repeats = (distinct["assembly"] - distinct["pair"]).to_dict()
    most = RARE_SHARE * sum(repeats.values())
    return [str(name) for name, count in repeats.items() if count < min(RARE, most)]


def own_spread(cooler: str) -> Expansion:
    """Return the further term of a cooler whose assemblies have a spread of their own."""
    meaning = f"assemblies of {cooler} beyond those of the others"
    scale, columns = HalfCauchy(1.75, WIDEST_K), ("lab", "assembly")
    term = _marked_term(f"assembly of {cooler}", columns, scale, meaning, f"cooler {cooler}")
    return Expansion(term, cooler=cooler)


def _marked_term(
    name: str, columns: tuple[str, ...], scale: HalfCauchy, meaning: str, rows: str
) -> Term:
    """Return a term of some rows only, which a column of ones and zeros marks."""
    return Term(
        name,
        columns,
        Role.NUISANCE,
        scale,
        meaning,
        values=f"{DERIVED}{rows}",
        is_centred=False,
        scales_with_rise=True,
    )
