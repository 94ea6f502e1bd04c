"""Each laboratory's own result of each product, and whether the unsure ones lie to one side.

A result is the generalised least squares mean of a product's rows at one laboratory, less what the
fit says of the product, with the other parameters at their posterior means: what the laboratory
would publish by its own runs. With y the results, s their standard errors, X a level for each
product and V their covariance, the small-study effect b is that of

    y = X c + b s + e,   cov(e) = f V

with f estimated. Results of one laboratory are alike in what they were tested with, so there are no
more degrees of freedom than laboratories less two. Of one product, and with V the squares of s,
that is the regression of Egger, Davey Smith, Schneider & Minder, BMJ 315 (1997) 629-634; spreads
between laboratories belong to V as in Sterne & Egger's random-effects form (Publication Bias in
Meta-Analysis, 2005, ch. 6, from memory), and one level for each comparison is that of
comparison-adjusted funnels (Chaimani & Salanti, Research Synthesis Methods 3 (2012) 161-176, from
memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array, BoolArray, IntArray
from thermcmp.inference.checks.laboratories.rows_at_mean import rows_at_mean
from thermcmp.inference.conditional.blas_threads import one_blas_thread
from thermcmp.model.links import PLACES
from thermcmp.model.rows import level_keys
from thermcmp.model.terms import LAB_PRODUCT, Role

if TYPE_CHECKING:
    from collections.abc import Sequence

    from thermcmp.inference.posterior import Fit

#: Fewest results of one product from which asymmetry is looked for (Sterne et al., BMJ 343 (2011)
#: d4002), and how often the largest standard error holds the smallest (a choice).
FEWEST_RESULTS: Final = 10
LEAST_RATIO: Final = 1.5


@dataclass(frozen=True, slots=True, eq=False)
class LabResults:
    """C results: a product at a laboratory, where products were run at several."""

    product: IntArray  #: shape (C,)
    lab: tuple[str, ...]
    runs: IntArray  #: shape (C,)
    off_k: Array  #: result less what the fit says of the product, shape (C,)
    own: Array  #: their covariance by their own runs alone, shape (C, C) [K²]
    between: Array  #: and by the spreads between laboratories, shape (C, C) [K²]


@dataclass(frozen=True, slots=True)
class Asymmetry:
    """Slope of results along their standard errors [K per K]."""

    slope: float
    error: float
    degrees: int
    p: float  #: two-sided, by Student's t


def lab_results(fit: Fit, ran: Sequence[BoolArray]) -> LabResults:
    """Return each laboratory's own result of every product that was run at several.

    `ran` are the rows of each product, (n,) flags; readings at a limit do not count.
    """
    design = fit.design
    labs = level_keys(design.rows, ("lab",)).to_numpy(str)
    read = ~design.at_limit
    cells = [(k, lab) for k, rows in enumerate(ran) for lab in _several(labs[rows & read])]
    spread_of = [term.role in (Role.SPECIMEN, Role.NUISANCE) for term in design.terms]
    beside = [term.name in (*PLACES, LAB_PRODUCT) for term in design.terms]
    sizes = [len(levels) for levels in design.levels]
    fixed = np.zeros(design.effect_count - sum(sizes), bool)
    is_between = np.concatenate([fixed, np.repeat(beside, sizes)])
    is_own = np.concatenate([fixed, np.repeat(spread_of, sizes)]) & ~is_between
    with one_blas_thread():
        rows = rows_at_mean(fit, ())
        mean = rows.solved.mean()
        dropped = np.where(is_own | is_between, mean[:, 0], 0.0)
        rest = rows.solved.residuals(mean)[:, 0] + rows.still @ dropped
        rest += rows.h[:, 0] * (rows.flow @ dropped)
    spread, noise = rows.solved.lam[:, 0], rows.solved.v[:, 0]
    off, runs, scatter = np.empty(len(cells)), np.empty(len(cells), np.intp), np.empty(len(cells))
    own, between = (np.empty((len(cells), int(each.sum()))) for each in (is_own, is_between))
    for at, (k, lab) in enumerate(cells):
        here = np.flatnonzero((ran[k] & (labs == lab))[rows.owner] & rows.counted)
        w = rows.still[here].toarray() + rows.h[here] * rows.flow[here].toarray()
        x, inside = rows.place[here], w[:, is_own] * spread[is_own]
        pull = np.linalg.solve(inside @ inside.T + np.diag(noise[here]), x)
        pull /= x @ pull
        off[at], runs[at] = pull @ rest[here], len(set(rows.owner[here]))
        scatter[at] = pull**2 @ noise[here]
        own[at], between[at] = pull @ inside, pull @ (w[:, is_between] * spread[is_between])
    return LabResults(
        product=np.array([k for k, _ in cells], np.intp),
        lab=tuple(lab for _, lab in cells),
        runs=runs,
        off_k=off,
        own=own @ own.T + np.diag(scatter),
        between=between @ between.T,
    )


def asymmetry(
    result: Array, error: Array, level: IntArray, lab: Sequence[str], covariance: Array
) -> Asymmetry | None:
    """Regress results (C,) on their errors, a level each; None with too few, or errors alike."""
    dummies = (level[:, None] == np.unique(level)).astype(float)
    by_lab = len(set(lab)) - 2
    if not (enough(level) and by_lab > 0 and error.max() >= LEAST_RATIO * error.min()):
        return None
    from scipy.stats import t

    root = np.linalg.cholesky(covariance)
    y, s, x = (np.linalg.solve(root, each) for each in (result, error, dummies))
    basis = np.linalg.qr(x)[0]
    y, s = y - basis @ (basis.T @ y), s - basis @ (basis.T @ s)
    degrees = len(y) - dummies.shape[1] - 1
    told = min(degrees, by_lab)
    slope = float(s @ y / (s @ s))
    scale = float(np.sum((y - slope * s) ** 2)) / degrees
    deviation = float(np.sqrt(scale / (s @ s)))
    return Asymmetry(slope, deviation, told, float(2.0 * t.sf(abs(slope) / deviation, told)))


def enough(level: IntArray) -> bool:
    """Return whether there are results enough beside a level each."""
    return len(level) - len(np.unique(level)) + 1 >= FEWEST_RESULTS


def _several(labs: Array) -> list[str]:
    """Return the laboratories of a product's rows; none of a product of one laboratory."""
    names = sorted(set(labs.tolist()))
    return names if len(names) > 1 else []
