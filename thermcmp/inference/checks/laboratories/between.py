"""How laboratories, or sessions, differ: own offsets, Cochran's Q, I², and the farthest one.

The offsets are those of the likelihood alone, with the other parameters at their posterior
means: generalised least squares of the rows on one offset per level of a term, with every other
effect of the fit beside them. Where each laboratory has one published result they are the
results themselves, and Q is Cochran's (Biometrics 10 (1954) 101-129).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array
from thermcmp.inference.checks.residuals import parameter_points
from thermcmp.inference.conditional.blas_threads import one_blas_thread
from thermcmp.inference.conditional.marginal_likelihood import Points, Solved
from thermcmp.inference.conditional.regulated_sampling import fitted_kernel
from thermcmp.model.rows import level_keys
from thermcmp.model.terms import BENCH

if TYPE_CHECKING:
    from thermcmp.inference.posterior import Fit

#: Spread at which offsets are not shrunk, as a multiple of the typical rise.
_FREE: Final = 20.0
#: Draws over which the parameters are averaged.
_DRAWS: Final = 200


@dataclass(frozen=True, slots=True, eq=False)
class Between:
    """Offsets of L like levels from their mean, by their own runs [K at reference power]."""

    offset_k: Array  #: shape (L,)
    error_k: Array  #: standard errors of the offsets, shape (L,)
    q: float  #: weighted sum of squares of the offsets
    #: Two-sided probability that the farthest of L like ones is as far from the others as this
    #: one, shape (L,); 1 with fewer than four.
    p_odd: Array

    @property
    def degrees(self) -> int:
        """Degrees of freedom of Q."""
        return len(self.offset_k) - 1

    @property
    def i_squared(self) -> float:
        """Share of the offsets' scatter beyond that of their errors.

        Higgins & Thompson, Statistics in Medicine 21 (2002) 1539-1558.
        """
        return max(0.0, 1.0 - self.degrees / self.q) if self.q > 0.0 else 0.0


def lab_weights(fit: Fit) -> tuple[tuple[str, ...], Array]:
    """Return the laboratories and the weights of the effects in each one's offset, (L, q).

    A laboratory's benches belong to it, each counted alike.
    """
    design, rows = fit.design, fit.design.rows
    term = next(term for term in design.terms if term.name == "lab")
    place = design.terms.index(term)
    weights = np.zeros((len(design.levels[place]), design.effect_count))
    weights[:, design.offsets[place] :][:, : len(weights)] = np.eye(len(weights))
    bench = design.term_position(BENCH)
    if bench is not None:
        labs, levels = level_keys(rows, ("lab",)), level_keys(rows, design.terms[bench].columns)
        for row, name in enumerate(design.levels[place]):
            own = sorted(levels[labs == name].unique())
            columns = [design.offsets[bench] + design.levels[bench].index(each) for each in own]
            weights[row, columns] = 1.0 / len(own)
    return design.levels[place], weights


def between(fit: Fit, term: str, weights: Array) -> Between:
    """Compare levels of a term, or sums of effects with them, of weights (L, q)."""
    free_k = free_spread_k(fit)
    # Rows of an orthonormal basis of the contrasts.
    count = len(weights)
    basis = np.linalg.svd(np.eye(count) - 1.0 / count)[2][: count - 1]
    with one_blas_thread():
        solved = Solved(fitted_kernel(fit), free_point(fit, (term,)))
        halves = solved.halves((basis @ weights)[None])
        mean = solved.kernel.problem.fixed_mean + solved.mean()[:, 0]
    covariance = halves.T @ halves
    contrasts = basis @ weights @ mean
    information = np.linalg.inv(covariance) - np.eye(count - 1) / free_k**2
    offset = basis.T @ contrasts
    error = np.sqrt(np.diag(basis.T @ covariance @ basis))
    return Between(offset, error, float(contrasts @ information @ contrasts), _odd(offset))


def free_spread_k(fit: Fit) -> float:
    """Return a spread at which levels are not shrunk [K]."""
    return _FREE * max(float(np.median(np.abs(fit.design.rise_k))), 1.0)


def free_point(fit: Fit, free: Sequence[str]) -> Points:
    """Return the posterior means of the parameters, with some terms' levels free of each other."""
    points = parameter_points(fit, fit.thinned(_DRAWS))
    spread = points.spread.mean(axis=0, keepdims=True)
    spread[:, [term.name in free for term in fit.design.terms]] = free_spread_k(fit)
    return Points.of_one_set(points.exponent.mean(axis=0), spread, points.residual.mean(axis=0))


def _odd(offset: Array) -> Array:
    """Return the chance of an offset so far from the others, corrected for the choice, (L,).

    An outlier among like laboratories: Grubbs' test in its externally studentised form, as used
    between laboratories by ISO 5725-2 (form from memory).
    """
    from scipy.stats import t

    count = len(offset)
    if count < 4:
        return np.ones(count)
    others = [np.delete(offset, k) for k in range(count)]
    far = offset - np.array([each.mean() for each in others])
    spread = np.array([each.std(ddof=1) for each in others]) * np.sqrt(1.0 + 1.0 / (count - 1))
    chance = 2.0 * t.sf(np.abs(far) / np.maximum(spread, 1e-12), count - 2)
    return np.minimum(1.0, count * chance)
