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
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from thermcmp.inference.arviz_adapter import smoothed_columns
from thermcmp.inference.deletion_groups import Grouped, prepare
from thermcmp.inference.health import pareto_limit
from thermcmp.inference.kernel import Readings, Solved
from thermcmp.inference.regulated import fall_per_rpm, regulated_rows
from thermcmp.inference.regulated_draws import fitted_problem
from thermcmp.inference.residuals import (
    completed_rise,
    fitted_rise,
    parameter_points,
    row_variance,
)
from thermcmp.inference.threads import one_blas_thread
from thermcmp.model.design import EXPONENT
from thermcmp.model.priors import Array

if TYPE_CHECKING:
    from thermcmp.inference.deletion_loops import Found
    from thermcmp.inference.posterior import Fit

#: Posterior draws used by default.
THINNED: Final = 400
#: Fewest used where rows are many, and the rows times draws from which they become fewer:
#: one group of thousands moves the parameters so little that its weights are next to even.
FEWEST: Final = 100
MOST_CELLS: Final = 5_000_000
#: Contrasts without each group at each draw that are held at once.
MOST_NUMBERS: Final = 10_000_000

Contrasts = Array | Callable[[float], Array]


@dataclass(frozen=True, slots=True, eq=False)
class Deletions:
    """What the other rows say of each group of rows, and of contrasts without it.

    Attributes
    ----------
    rest, rest_sd : ndarray, shape (T, G)
        Mean over the group's rows of what was read less what the others say, at each
        draw, and its standard deviation [K].
    mean, sd : ndarray, shape (T, G, m)
        Contrasts without the group [K].
    weights : ndarray, shape (T, G)
        Weights of the draws without the group; each column adds up to one.
    k : ndarray, shape (G,)
        Pareto shape of the weights; NaN where they cannot be formed (a reading at the
        limit is in the group).
    whole_mean, whole_sd : ndarray, shape (T, m)
        Contrasts with all rows [K].
    """

    rest: Array
    rest_sd: Array
    mean: Array
    sd: Array
    weights: Array
    k: Array
    whole_mean: Array
    whole_sd: Array

    @property
    def trusted(self) -> NDArray[np.bool_]:
        """Groups whose weights can be believed, shape (G,); an undefined k is no pass."""
        return np.nan_to_num(self.k, nan=np.inf) <= pareto_limit(len(self.weights))

    def moments(self) -> tuple[Array, Array]:
        """Mean and standard deviation of the contrasts without each group, (G, m) [K]."""
        mean = np.einsum("tg,tgm->gm", self.weights, self.mean)
        square = np.einsum("tg,tgm->gm", self.weights, self.sd**2 + self.mean**2)
        return mean, np.sqrt(np.maximum(square - mean**2, 0.0))

    def whole_moments(self) -> tuple[Array, Array]:
        """Mean and standard deviation of the contrasts with all rows, (m,) [K]."""
        mean = self.whole_mean.mean(axis=0)
        return mean, np.sqrt(np.mean(self.whole_sd**2, axis=0) + self.whole_mean.var(axis=0))

    def draw(self, group: int, contrast: int, count: int, rng: np.random.Generator) -> Array:
        """Draws of a contrast without one group, shape (count,) [K]."""
        picked = rng.choice(len(self.weights), count, p=self.weights[:, group])
        noise = rng.standard_normal(count)
        mean, sd = (side[picked, group, contrast] for side in (self.mean, self.sd))
        return np.asarray(mean + sd * noise)

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
        from scipy.special import ndtr

        below = np.sum(self.weights * ndtr(self.rest / self.rest_sd), axis=0)
        above = np.sum(self.weights * ndtr(-self.rest / self.rest_sd), axis=0)
        return np.where(np.isfinite(self.k), 2.0 * np.minimum(below, above), np.nan)


def draws_for(fit: Fit, most: int) -> int:
    """Posterior draws behind rows left out: at most so many, fewer where rows are many.

    Parameters
    ----------
    fit : Fit
        The fit.
    most : int
        Draws used for a small fit.

    Returns
    -------
    int
        At most `most`, and not below FEWEST for it.
    """
    return min(most, max(FEWEST, MOST_CELLS // len(fit.design.rise_k)))


def contrasts_at_once(groups: int, draws: int) -> int:
    """How many contrasts `delete_each` may be given for so many groups and draws."""
    return max(1, MOST_NUMBERS // (groups * draws))


def delete_each(
    fit: Fit,
    groupings: Sequence[NDArray[np.intp]],
    contrasts: Contrasts | None = None,
    *,
    draws: int = THINNED,
    seed: int = 0,
) -> list[Deletions]:
    """Leave out each group of rows in turn.

    Parameters
    ----------
    fit : Fit
        The fit.
    groupings : sequence of ndarray of int, shape (n,)
        One or more groupings; each gives the group of every row, 0 … G-1.
    contrasts : ndarray, shape (m, q), or callable, optional
        Contrasts of the effects; a callable gives them for an airflow exponent.
    draws : int
        Posterior draws used, evenly taken.
    seed : int
        Seed of the draws of readings beyond the limit.

    Returns
    -------
    list of Deletions
        One per grouping.
    """
    from thermcmp.inference.deletion_loops import Found

    chosen = fit.thinned(draws)
    rows, points = _Rows(fit, chosen, seed), parameter_points(fit, chosen)
    kernel, groups = prepare(rows.problem, [codes[rows.owner] for codes in groupings])
    every = _stacked(contrasts, points.exponent[:, 0], rows.problem.effect_count)
    t, m = len(chosen), every(slice(0, 1)).shape[1]
    whole_mean, whole_sd = np.empty((t, m)), np.empty((t, m))
    found = [
        Found(*(np.empty((t, one.count)) for _ in range(3)), *np.empty((2, t, one.count, m)))
        for one in groups
    ]

    def leave_out(solved: Solved, part: slice) -> None:
        readings, log_factor = rows.readings(part), rows.log_factor(part)
        state = _Solution(solved, readings, log_factor, every(part), rows.counted)
        whole_mean[part], whole_sd[part] = state.mean, state.sd
        for one, into in zip(groups, found, strict=True):
            state.leave_out(one, Found(*(side[part] for side in into)))

    with one_blas_thread():
        kernel.by_parts(points, leave_out, rows.readings)
    limited = fit.design.at_limit
    return [
        _weighed(into, np.bincount(codes, limited) > 0, (whole_mean, whole_sd))
        for codes, into in zip(groupings, found, strict=True)
    ]


def _weighed(found: Found, limited: NDArray[np.bool_], whole: tuple[Array, Array]) -> Deletions:
    """Weigh the draws of each group."""
    weights, k = smoothed_columns(-found.score)
    k[limited] = np.nan
    return Deletions(found.rest, found.rest_sd, found.mean, found.sd, weights, k, *whole)


def _stacked(contrasts: Contrasts | None, exponent: Array, count: int) -> Callable[[slice], Array]:
    """The contrasts at some of the draws, shape (B, m, q)."""

    def at(part: slice) -> Array:
        if contrasts is None:
            return np.zeros((len(exponent[part]), 0, count))
        if callable(contrasts):
            return np.stack([contrasts(float(m)) for m in exponent[part]])
        return np.broadcast_to(contrasts, (len(exponent[part]), *contrasts.shape))

    return at


class _Rows:
    """The rows of a fit's Gaussian problem at some draws: its readings, then the stand-ins.

    A regulated row has a stand-in for its Jacobian, which is left out with it; what the
    Jacobian owes to the exponent alone is a factor of the row's density.
    """

    def __init__(self, fit: Fit, chosen: NDArray[np.intp], seed: int) -> None:
        self._fit, self._chosen, design = fit, chosen, fit.design
        self.problem = fitted_problem(fit)
        count = len(design.rise_k)
        self._fan, power = regulated_rows(design)
        self.owner = np.concatenate([np.arange(count), self._fan, power])
        self.counted = np.arange(len(self.owner)) < count
        self._completed: Array | None = None
        if design.at_limit.any():
            rng = np.random.default_rng(seed)
            self._completed = np.concatenate(
                [
                    completed_rise(fit, mean, row_variance(fit, part), rng)
                    for part, mean in fitted_rise(fit, chosen)
                ]
            )

    def readings(self, part: slice) -> Readings:
        """What was read, one at the limit completed, and what the stand-ins read."""
        own = row_variance(self._fit, self._chosen[part]).T
        beside = self.problem.known_variance[~self.counted, None].repeat(own.shape[1], axis=1)
        y = self.problem.y[:, None]
        if self._completed is not None:
            y = y.repeat(own.shape[1], axis=1)
            y[self.counted] = self._completed[part].T
        return Readings(y, np.vstack([own, beside]))

    def log_factor(self, part: slice) -> Array:
        """Log of what each row's density has as a factor, shape (B, n)."""
        exponent = self._fit.draws(EXPONENT)[self._chosen[part]]
        out = np.zeros((len(exponent), len(self.owner)))
        out[:, self._fan] = np.log(np.abs(fall_per_rpm(self._fit.design, exponent[:, None])))
        return out


class _Solution:
    """Everything at some draws that the groups share."""

    def __init__(
        self,
        solved: Solved,
        readings: Readings,
        log_factor: Array,
        contrasts: Array,
        counted: NDArray[np.bool_],
    ) -> None:
        self._solved, self._readings, self._counted = solved, readings, counted
        self._log_factor, self._contrasts = log_factor, contrasts
        b, m, q = contrasts.shape
        mean, halves = solved.mean(), solved.halves(contrasts)
        self.mean, self.sd = _of_contrasts(solved, contrasts, mean, halves)
        self._left = np.ascontiguousarray(solved.left(mean).T)
        reach = solved.covariances(halves).reshape(q, b, m).transpose(1, 0, 2)
        self._reach = np.ascontiguousarray(reach)
        self._inverse: Array | None = None

    def leave_out(self, groups: Grouped, found: Found) -> None:
        """Leave out each group, filling in `found`, shape (B, G, …)."""
        if len(groups.small.place):
            self._leave_small(groups, found)
        for group in groups.large:
            self._leave_large(groups.codes != group, group, found)

    def _leave_small(self, groups: Grouped, found: Found) -> None:
        from thermcmp.inference.deletion_loops import Found, State, leave_out

        solved, problem = self._solved, self._solved.kernel.problem
        if self._inverse is None:
            self._inverse = np.ascontiguousarray(solved.factor.inverse().T)
        h = np.zeros(solved.v.shape) if solved.h is None else solved.h
        h, v, lam = (np.ascontiguousarray(side.T) for side in (h, solved.v, solved.lam))
        for place in range(len(lam)):
            state = State(
                values=problem.values,
                flow=problem.flow,
                counted=self._counted,
                log_factor=self._log_factor[place],
                h=h[place],
                v=v[place],
                left=self._left[place],
                lam=lam[place],
                inverse=self._inverse[place],
                reach=self._reach[place],
                mean=self.mean[place],
                variance=self.sd[place] ** 2,
            )
            leave_out(groups.small, state, Found(*(side[place] for side in found)))

    def _leave_large(self, kept: NDArray[np.bool_], group: int, found: Found) -> None:
        """Solve the system without the group's rows."""
        solved, kernel = self._solved, self._solved.kernel
        less = Solved(kernel, solved.points, replace(self._readings, counted=kept))
        found.score[:, group] = solved.log_likelihood - less.log_likelihood
        found.score[:, group] += np.sum(self._log_factor[:, ~kept], axis=1)
        mean, own = less.mean(), (self._counted & ~kept).astype(float)
        own /= np.sum(own)
        found.rest[:, group] = own @ less.left(mean)
        average = kernel.rows.score(own[:, None].repeat(len(solved.points), axis=1), less.h)
        half = less.factor.forward(less.lam * average, np.arange(len(solved.points)))
        found.rest_sd[:, group] = np.sqrt(np.sum(half**2, axis=0) + own**2 @ less.v)
        halves = less.halves(self._contrasts)
        found.mean[:, group], found.sd[:, group] = _of_contrasts(
            less, self._contrasts, mean, halves
        )


def _of_contrasts(
    solved: Solved, contrasts: Array, mean: Array, halves: Array
) -> tuple[Array, Array]:
    """Mean and standard deviation of contrasts of the effects, shape (B, m)."""
    full = solved.kernel.problem.fixed_mean[:, None] + mean
    sd = np.sqrt(np.sum(halves**2, axis=0)).reshape(contrasts.shape[:2])
    return np.einsum("bmq,qb->bm", contrasts, full), sd
