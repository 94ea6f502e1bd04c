"""Rows left out, without a new fit: exact given the parameters, weighted over them.

Given spreads, exponent and residual the model is linear and Gaussian, so what the other
rows say of a group of rows, and what they say of the effects, has a closed form. With
C = cov(effects | y), m their mean, W and V of the group's rows a:

    D = V_a - W_a C W_aᵀ,   e = y_a - W_a m
    y_a | others ~ N(y_a - V_a D⁻¹ e,  V_a D⁻¹ V_a)
    c'effects | others ~ N(c'm - c'C W_aᵀ D⁻¹ e,  c'C c + c'C W_aᵀ D⁻¹ W_a C c)

(the deletion formulas of regression: Cook & Weisberg, Residuals and Influence in Regression
(1982), 2.2, here with priors). The parameters' draws then need the weight
1 / p(y_a | others, parameters) only. That weight has the effects integrated out, so it is
far steadier than one given the effects, in which the group's own effect has fitted it.

Of C only the pairs of effects are needed that a group has: the sparse inverse holds them,
since the system's pattern is laid out with them (`Factor.inverse`). A group too large for
that is left out by solving the system without it, and p(y_a | others) = p(y) / p(y without a).

Under Student's t all this holds given a weight of each row; what the deleted rows' own weights
know of their readings is taken out again, see `thermcmp.inference.checks.leave_out_student`.
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
    from thermcmp.inference.checks.leave_out_loops import Found
    from thermcmp.inference.conditional.marginal_likelihood import Solved
    from thermcmp.inference.posterior import Fit

#: Posterior draws used by default.
THINNED: Final = 400
#: Fewest used where rows are many, and the rows times draws from which they become fewer:
#: one group of thousands moves the parameters so little that its weights are next to even.
FEWEST: Final = 100
MOST_CELLS: Final = 5_000_000

Contrasts = Array | Callable[[float], Array]


@dataclass(frozen=True, slots=True, eq=False)
class Deletions:
    """What the other rows say of each group of rows.

    Attributes
    ----------
    rest, rest_sd : ndarray, shape (T, G)
        Mean over the group's rows of what was read less what the others say, at each
        draw, and its standard deviation; of Student's t, its scale [K].
    weights : ndarray, shape (T, G)
        Weights of the draws without the group; each column adds up to one.
    k : ndarray, shape (G,)
        Pareto shape of the weights; NaN where they cannot be formed (a reading at the
        limit is in the group).
    below, above : ndarray, shape (T, G)
        Chance at each draw that the group would be read lower, and higher, than it was.
    """

    rest: Array
    rest_sd: Array
    weights: Array
    k: Array
    below: Array
    above: Array

    @property
    def trusted(self) -> BoolArray:
        """Groups whose weights can be believed, shape (G,); an undefined k is no pass."""
        return np.nan_to_num(self.k, nan=np.inf) <= pareto_limit(len(self.weights))

    def off(self) -> Array:
        """How far each group is from what the others say of it, (G,) [K]."""
        return np.asarray(np.sum(self.weights * self.rest, axis=0))

    def tail(self) -> Array:
        """Chance that the others allow for a group at least this far off, shape (G,).

        Two-sided, averaged over the weighted draws (the leave-one-out probability
        transform of Gelfand, Dey & Chang 1992). Where the weights cannot be trusted they
        err towards the posterior that knows the group, so the chance is too large, never
        too small; NaN where there are no weights.
        """
        below = np.sum(self.weights * self.below, axis=0)
        above = np.sum(self.weights * self.above, axis=0)
        return np.where(np.isfinite(self.k), 2.0 * np.minimum(below, above), np.nan)


@dataclass(frozen=True, slots=True, eq=False)
class Moments:
    """Contrasts without each group, and with all rows.

    Attributes
    ----------
    mean, sd : ndarray, shape (G, m)
        Mean and standard deviation without each group, over the weighted draws [K].
    at_draws, sd_at_draws : ndarray, shape (T, m)
        Mean and standard deviation with all rows at each draw [K].
    """

    mean: Array
    sd: Array
    at_draws: Array
    sd_at_draws: Array

    @property
    def whole(self) -> tuple[Array, Array]:
        """Mean and standard deviation with all rows over the draws, (m,) [K]."""
        spread = np.mean(self.sd_at_draws**2, axis=0) + self.at_draws.var(axis=0)
        return self.at_draws.mean(axis=0), np.sqrt(spread)


def draws_for(fit: Fit, most: int) -> int:
    """Posterior draws behind rows left out: at most so many, fewer where rows are many."""
    return min(most, max(FEWEST, MOST_CELLS // len(fit.design.rise_k)))


class LeaveOut:
    """Groups of rows to be left out in turn, laid out once.

    Parameters
    ----------
    fit : Fit
        The fit.
    groupings : sequence of ndarray of int, shape (n,)
        One or more groupings; each gives the group of every row, 0 … G-1.
    draws : int
        Posterior draws used, evenly taken.
    seed : int
        Seed of the draws of readings beyond the limit and of Student's t.
    aside : ndarray of bool, shape (n,), optional
        Rows that are left out with their group, but that it is not judged by; some other
        row of each group must remain.
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
        """Hold each group against the others."""
        count, deletions = len(self._points), []
        score, rest, rest_sd = (
            [np.empty((count, groups.count)) for groups in self._groups] for _ in range(3)
        )
        for part, _, found in self._solutions(None, self._groups):
            for place, one in enumerate(found):
                score[place][part], rest[place][part] = one.score, one.rest
                rest_sd[place][part] = one.rest_sd
        for place, limited in enumerate(self._limited):
            logs, sd, below, above = self._chances(place, score[place], rest[place], rest_sd[place])
            weights, k = smoothed_columns(-logs)
            k[limited] = np.nan
            deletions.append(Deletions(rest[place], sd, weights, k, below, above))
        return deletions

    def _chances(
        self, place: int, score: Array, rest: Array, rest_sd: Array
    ) -> tuple[Array, Array, Array, Array]:
        """Log density of each group, its scale and its chances, (T, G), by the scatter's law."""
        from scipy.special import ndtr

        if self._rows.mixture is None:
            z = rest / rest_sd
            return score, rest_sd, ndtr(z), ndtr(-z)
        codes = self._codes[place]
        helped = np.bincount(codes[self._rows.owner], self._rows.stands_in) > 0
        return self._rows.mixture.without_own_weights(codes, helped, score, rest, rest_sd)

    def at_draws(self, contrasts: Contrasts, groups: IntArray) -> tuple[Array, Array]:
        """Contrasts without a few groups of the first grouping, at every draw.

        Shapes: contrasts (m, q), groups (U,). Returns mean, sd (T, U, m).
        """
        found = [few for _, _, (few,) in self._solutions(contrasts, [self._groups[0].only(groups)])]
        return np.concatenate([f.mean for f in found]), np.concatenate([f.sd for f in found])

    def moments(self, contrasts: Contrasts, weights: Array) -> Moments:
        """Contrasts without each group of the first grouping, over all draws.

        Shapes: contrasts (m, q), weights (T, G).
        """
        mean = square = np.zeros(())
        whole = []
        for part, solution, (found,) in self._solutions(contrasts, self._groups[:1]):
            mean = mean + np.einsum("tg,tgm->gm", weights[part], found.mean)
            square = square + np.einsum("tg,tgm->gm", weights[part], found.mean**2 + found.sd**2)
            whole.append((solution.mean, solution.sd))
        sd = np.sqrt(np.maximum(square - mean**2, 0.0))
        at_draws, sd_at_draws = (np.concatenate(side) for side in zip(*whole, strict=True))
        return Moments(mean, sd, at_draws, sd_at_draws)

    def _solutions(
        self, contrasts: Contrasts | None, groupings: Sequence[Grouped]
    ) -> Iterator[tuple[slice, DeletionSolution, list[Found]]]:
        """Draws, their solution, and what is found without each group, in order."""
        rows, exponent = self._rows, self._points.exponent[:, 0]

        def ask(solved: Solved, part: slice) -> tuple[slice, DeletionSolution, list[Found]]:
            stacked = _stacked(contrasts, exponent[part], rows.problem.effect_count)
            solution = DeletionSolution(solved, rows, part, stacked)
            return part, solution, [solution.leave_out(groups) for groups in groupings]

        with one_blas_thread():
            yield from self._kernel.by_parts(self._points, ask, rows.readings)


def _stacked(contrasts: Contrasts | None, exponent: Array, count: int) -> Array:
    """The contrasts at some draws, shape (B, m, q)."""
    if contrasts is None:
        return np.zeros((len(exponent), 0, count))
    if callable(contrasts):
        return np.stack([contrasts(float(one)) for one in exponent])
    return np.broadcast_to(contrasts, (len(exponent), *contrasts.shape))
