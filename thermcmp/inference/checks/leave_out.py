"""Leave groups of rows out without refitting: exact given the parameters, weighted over them.

Given spreads, exponent and residual the model is linear and Gaussian, so the predictions of
the other rows for a group, and the effects without it, have closed forms. With
C = cov(effects | y), m their mean, W and V of the group's rows a:

    D = V_a - W_a C W_aᵀ,   e = y_a - W_a m
    y_a | others ~ N(y_a - V_a D⁻¹ e,  V_a D⁻¹ V_a)
    c'effects | others ~ N(c'm - c'C W_aᵀ D⁻¹ e,  c'C c + c'C W_aᵀ D⁻¹ W_a C c)

(the deletion formulas of regression: Cook & Weisberg, Residuals and Influence in Regression
(1982), 2.2, here with priors). The parameters' draws then need the weight
1 / p(y_a | others, parameters) only, which varies far less with the effects integrated out
than given the effects.

Only those entries of C are needed whose effects a group shares; the sparse inverse holds them
(`Factor.inverse`). A group too large for that is left out by solving the system without it,
and p(y_a | others) = p(y) / p(y without a).

Under Student's t all this holds given a weight of each row; the dependence of the deleted rows'
weights on their readings is removed in `thermcmp.inference.checks.leave_out_student`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from thermcmp._types import Array, BoolArray, IntArray
from thermcmp.inference.arviz_adapter import smoothed_columns
from thermcmp.inference.checks.leave_out_groups import Grouped, prepare
from thermcmp.inference.checks.leave_out_solution import DeletionRows, DeletionSolution
from thermcmp.inference.checks.residuals import parameter_points
from thermcmp.inference.conditional.blas_threads import one_blas_thread
from thermcmp.inference.diagnostics import pareto_limit

if TYPE_CHECKING:
    from thermcmp.inference.checks.leave_out_loops import GroupResults
    from thermcmp.inference.conditional.marginal_likelihood import Solved
    from thermcmp.inference.posterior import Fit

#: Posterior draws used by default.
THINNED: Final = 400
#: Fewest draws with many rows, and the rows times draws above which they are reduced: one
#: group of thousands moves the parameters so little that its weights are almost equal.
FEWEST: Final = 100
MOST_CELLS: Final = 5_000_000

Contrasts = Array | Callable[[float], Array]


@dataclass(frozen=True, slots=True, eq=False)
class Deletions:
    """Each of G groups of rows against the prediction of the others, at T draws."""

    rest: Array  #: mean over the group's rows of reading minus prediction [K], shape (T, G)
    rest_sd: Array  #: its standard deviation (of Student's t, its scale) [K], shape (T, G)
    weights: Array  #: weights of the draws without the group, columns sum to one, shape (T, G)
    #: Pareto shape of the weights, shape (G,); NaN if the group has a reading at the limit.
    k: Array
    below: Array  #: probability that the group would be read lower than it was, shape (T, G)
    above: Array  #: probability that it would be read higher, shape (T, G)
    #: Log density of each group given the others, its effects integrated out, shape (T, G).
    log_density: Array

    @property
    def trusted(self) -> BoolArray:
        """Groups whose weights can be trusted, shape (G,); an undefined k does not pass."""
        return np.nan_to_num(self.k, nan=np.inf) <= pareto_limit(len(self.weights))

    def off(self) -> Array:
        """Return the deviation of each group from the prediction of the others, shape (G,) [K]."""
        return np.asarray(np.sum(self.weights * self.rest, axis=0))

    def tail(self) -> Array:
        """Return the two-sided probability of a deviation at least this large, shape (G,).

        Averaged over the weighted draws (the leave-one-out probability transform of Gelfand,
        Dey & Chang 1992). Weights that cannot be trusted err towards the posterior given the
        group, which makes the probability too large, never too small; NaN without weights.
        """
        below = np.sum(self.weights * self.below, axis=0)
        above = np.sum(self.weights * self.above, axis=0)
        return np.where(np.isfinite(self.k), 2.0 * np.minimum(below, above), np.nan)


@dataclass(frozen=True, slots=True, eq=False)
class Moments:
    """Contrasts without each group, and with all rows [K]."""

    mean: Array  #: without each group, over the weighted draws, shape (G, m)
    sd: Array  #: shape (G, m)
    at_draws: Array  #: mean with all rows at each draw, shape (T, m)
    sd_at_draws: Array  #: shape (T, m)

    @property
    def whole(self) -> tuple[Array, Array]:
        """Mean and standard deviation with all rows over the draws, (m,) [K]."""
        spread = np.mean(self.sd_at_draws**2, axis=0) + self.at_draws.var(axis=0)
        return self.at_draws.mean(axis=0), np.sqrt(spread)


def draws_for(fit: Fit, most: int) -> int:
    """Return the number of posterior draws to use: at most `most`, fewer with many rows."""
    return min(most, max(FEWEST, MOST_CELLS // len(fit.design.rise_k)))


class LeaveOut:
    """Groups of a fit's rows to be left out in turn, at evenly spaced posterior draws.

    Each grouping, shape (n,), holds the group of every row, 0 … G-1. The `seed` is that of
    readings beyond the limit and of Student's t. Rows `aside`, shape (n,), are left out with their
    group, which is not judged by them; each group must have another row.
    """

    def __init__(
        self,
        fit: Fit,
        groupings: Sequence[IntArray],
        *,
        draws: int = THINNED,
        seed: int = 0,
        aside: BoolArray | None = None,
    ) -> None:
        chosen = fit.thinned(draws)
        self._rows = DeletionRows(fit, chosen, seed, aside)
        self._points = parameter_points(fit, chosen)
        self._kernel, self._groups = prepare(
            self._rows.problem, [codes[self._rows.owner] for codes in groupings]
        )
        self._codes = groupings
        self._limited = [np.bincount(codes, fit.design.at_limit) > 0 for codes in groupings]

    def each(self) -> list[Deletions]:
        """Return each group's comparison with the prediction of the others."""
        count, deletions = len(self._points), []
        score, rest, rest_sd = (
            [np.empty((count, groups.count)) for groups in self._groups] for _ in range(3)
        )
        for part, _, by_grouping in self._solutions(None, self._groups):
            for place, results in enumerate(by_grouping):
                score[place][part], rest[place][part] = results.score, results.rest
                rest_sd[place][part] = results.rest_sd
        for place, limited in enumerate(self._limited):
            logs, sd, below, above = self._probabilities(
                place, score[place], rest[place], rest_sd[place]
            )
            weights, k = smoothed_columns(-logs)
            k[limited] = np.nan
            deletions.append(Deletions(rest[place], sd, weights, k, below, above, logs))
        return deletions

    def _probabilities(
        self, place: int, score: Array, rest: Array, rest_sd: Array
    ) -> tuple[Array, Array, Array, Array]:
        """Return log density, scale and both tail probabilities of each group, shape (T, G)."""
        from scipy.special import ndtr

        if self._rows.mixture is None:
            z = rest / rest_sd
            return score, rest_sd, ndtr(z), ndtr(-z)
        codes = self._codes[place]
        has_pseudo = np.bincount(codes[self._rows.owner], self._rows.is_pseudo) > 0
        return self._rows.mixture.without_own_weights(codes, has_pseudo, score, rest, rest_sd)

    def at_draws(self, contrasts: Contrasts, groups: IntArray) -> tuple[Array, Array]:
        """Return mean and sd of contrasts without some groups of the first grouping, (T, U, m)."""
        solutions = self._solutions(contrasts, [self._groups[0].only(groups)])
        parts = [results for _, _, (results,) in solutions]
        return np.concatenate([r.mean for r in parts]), np.concatenate([r.sd for r in parts])

    def moments(self, contrasts: Contrasts, weights: Array, *, spreads: bool = True) -> Moments:
        """Return contrasts without each group of the first grouping, for weights (T, G).

        Without `spreads` the standard deviations without a group, the dear part, are NaN.
        """
        mean = square = np.zeros(())
        whole = []
        for part, solution, (results,) in self._solutions(contrasts, self._groups[:1], spreads):
            mean = mean + np.einsum("tg,tgm->gm", weights[part], results.mean)
            if spreads:
                each = results.mean**2 + results.sd**2
                square = square + np.einsum("tg,tgm->gm", weights[part], each)
            whole.append((solution.mean, solution.sd))
        sd = np.sqrt(np.maximum(square - mean**2, 0.0)) if spreads else np.full_like(mean, np.nan)
        at_draws, sd_at_draws = (np.concatenate(side) for side in zip(*whole, strict=True))
        return Moments(mean, sd, at_draws, sd_at_draws)

    def _solutions(
        self, contrasts: Contrasts | None, groupings: Sequence[Grouped], spreads: bool = True
    ) -> Iterator[tuple[slice, DeletionSolution, list[GroupResults]]]:
        """Yield draws, their solution and the results without each group, in order."""
        rows, exponent = self._rows, self._points.exponent[:, 0]

        def solve(
            solved: Solved, part: slice
        ) -> tuple[slice, DeletionSolution, list[GroupResults]]:
            at = exponent[part]
            if contrasts is None:
                stacked = np.zeros((len(at), 0, rows.problem.effect_count))
            elif callable(contrasts):
                stacked = np.stack([contrasts(float(value)) for value in at])
            else:
                stacked = np.broadcast_to(contrasts, (len(at), *contrasts.shape))
            solution = DeletionSolution(solved, rows, part, stacked, spreads=spreads)
            return part, solution, [solution.leave_out(groups) for groups in groupings]

        with one_blas_thread():
            yield from self._kernel.by_parts(self._points, solve, rows.readings)
