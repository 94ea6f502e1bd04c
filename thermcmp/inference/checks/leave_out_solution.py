"""The rows of a fit's Gaussian problem at some draws, and groups of them left out."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from thermcmp._types import Array, BoolArray, IntArray
from thermcmp.inference.checks.leave_out_student import Mixture
from thermcmp.inference.checks.residuals import (
    beside_scale,
    completed_rise,
    fitted_rise,
    mixed_scale,
    row_variance,
)
from thermcmp.inference.checks.student_weights import drawn_weights, mixed_rows
from thermcmp.inference.conditional.marginal_likelihood import Readings, Solved
from thermcmp.inference.conditional.regulated_sampling import fitted_problem
from thermcmp.inference.regulated_likelihood import fall_per_rpm, regulated_rows
from thermcmp.model.design import EXPONENT
from thermcmp.model.observation import DEGREES

if TYPE_CHECKING:
    from thermcmp.inference.checks.leave_out_groups import Grouped
    from thermcmp.inference.checks.leave_out_loops import GroupResults
    from thermcmp.inference.posterior import Fit


class DeletionRows:
    """The rows of a fit's Gaussian problem at some draws: readings, then pseudo-readings.

    A regulated row has a pseudo-reading for its Jacobian, which is left out with it; the
    factor of the Jacobian that depends on the exponent alone multiplies the row's density.
    Rows set aside are left out with their group but the group is not judged by them.
    """

    def __init__(
        self, fit: Fit, chosen: IntArray, seed: int, aside: BoolArray | None = None
    ) -> None:
        self._fit, self._chosen, design = fit, chosen, fit.design
        self.problem = fitted_problem(fit)
        count = len(design.rise_k)
        self._fan, power = regulated_rows(design)
        self.owner = np.concatenate([np.arange(count), self._fan, power])
        self.is_pseudo = np.arange(len(self.owner)) >= count
        self.counted = ~self.is_pseudo
        if aside is not None:
            self.counted[:count] &= ~aside
        self._completed: Array | None = None
        self.mixture: Mixture | None = None
        mixed = mixed_rows(fit)
        if not (design.at_limit.any() or mixed.any()):
            return
        rng, square = np.random.default_rng(seed), np.zeros(count)
        weights, completed = [], []
        for part, mean in fitted_rise(fit, chosen):
            drawn = drawn_weights(fit, part, mean, rng)
            weights.append(drawn)
            square += np.sum((design.rise_k - mean) ** 2, axis=0) / len(chosen)
            if design.at_limit.any():
                completed.append(completed_rise(fit, mean, row_variance(fit, part, drawn), rng))
        self._completed = np.concatenate(completed) if completed else None
        if mixed.any():
            self.mixture = Mixture(
                np.concatenate([drawn for drawn in weights if drawn is not None]),
                mixed_scale(fit, chosen),
                beside_scale(fit),
                fit.draws(DEGREES)[chosen],
                square,
                mixed,
                self.counted[:count],
                seed,
            )

    def readings(self, part: slice) -> Readings:
        """Return readings, completed at the limit, and pseudo-readings at some draws."""
        weights = None if self.mixture is None else self.mixture.weights[part]
        variance = row_variance(self._fit, self._chosen[part], weights).T
        pseudo = self.problem.known_variance[self.is_pseudo, None].repeat(variance.shape[1], axis=1)
        y = self.problem.y[:, None]
        if self._completed is not None:
            y = y.repeat(variance.shape[1], axis=1)
            y[~self.is_pseudo] = self._completed[part].T
        return Readings(y, np.vstack([variance, pseudo]))

    def log_factor(self, part: slice) -> Array:
        """Return the log of the factor of each row's density, shape (B, n)."""
        exponent = self._fit.draws(EXPONENT)[self._chosen[part]]
        out = np.zeros((len(exponent), len(self.owner)))
        out[:, self._fan] = np.log(np.abs(fall_per_rpm(self._fit.design, exponent[:, None])))
        return out


class DeletionSolution:
    """The solution with all rows at B draws, shared by all groups, for contrasts (B, m, q).

    `mean` and `sd`, shape (B, m), are the contrasts with all rows [K]. Without `spreads` those of
    small groups stay NaN.
    """

    def __init__(
        self,
        solved: Solved,
        rows: DeletionRows,
        part: slice,
        contrasts: Array,
        *,
        spreads: bool = True,
    ) -> None:
        self._solved, self._rows, self._spreads = solved, rows, spreads
        self._contrasts, self._log_factor = contrasts, rows.log_factor(part)
        b, m, q = contrasts.shape
        mean, halves = solved.mean(), solved.halves(contrasts)
        self.mean, self.sd = _of_contrasts(solved, contrasts, mean, halves)
        self._residual = np.ascontiguousarray(solved.residuals(mean).T)
        reach = solved.covariances(halves).reshape(q, b, m).transpose(1, 0, 2)
        self._reach = np.ascontiguousarray(reach)
        self._inverse: Array | None = None

    def leave_out(self, groups: Grouped) -> GroupResults:
        """Return the results without each group, shape (B, G, …)."""
        from thermcmp.inference.checks.leave_out_loops import GroupResults

        b, m = self.mean.shape
        numbers, moved = np.empty((3, b, groups.count)), np.full((2, b, groups.count, m), np.nan)
        results = GroupResults(*numbers, *moved)
        if len(groups.small.place):
            self._leave_small(groups, results)
        for code, place in groups.large:
            self._leave_large(groups.codes != code, place, results)
        return results

    def _leave_small(self, groups: Grouped, results: GroupResults) -> None:
        from thermcmp.inference.checks.leave_out_loops import GroupResults, State, leave_out

        solved, problem = self._solved, self._solved.kernel.problem
        if self._inverse is None:
            self._inverse = np.ascontiguousarray(solved.factor.inverse().T)
        h = np.zeros(solved.v.shape) if solved.h is None else solved.h
        h, v, lam = (np.ascontiguousarray(side.T) for side in (h, solved.v, solved.lam))
        for place in range(len(lam)):
            state = State(
                values=problem.values,
                flow=problem.flow,
                counted=self._rows.counted,
                log_factor=self._log_factor[place],
                h=h[place],
                v=v[place],
                residual=self._residual[place],
                lam=lam[place],
                inverse=self._inverse[place],
                reach=self._reach[place],
                mean=self.mean[place],
                variance=self.sd[place][: None if self._spreads else 0] ** 2,
            )
            leave_out(groups.small, state, GroupResults(*(side[place] for side in results)))

    def _leave_large(self, kept: BoolArray, place: int, results: GroupResults) -> None:
        """Solve the system without the group's rows, kept (n,)."""
        solved, kernel = self._solved, self._solved.kernel
        without = Solved(kernel, solved.points, replace(solved.readings, counted=kept))
        results.score[:, place] = solved.log_likelihood - without.log_likelihood
        results.score[:, place] += np.sum(self._log_factor[:, ~kept], axis=1)
        mean, share = without.mean(), (self._rows.counted & ~kept).astype(float)
        share /= np.sum(share)
        results.rest[:, place] = share @ without.residuals(mean)
        ones = np.ones((1, len(solved.points)))
        average = kernel.rows.score(share[:, None], without.h, ones)
        half = without.factor.forward(without.lam * average, np.arange(len(solved.points)))
        results.rest_sd[:, place] = np.sqrt(np.sum(half**2, axis=0) + share**2 @ without.v)
        halves = without.halves(self._contrasts)
        results.mean[:, place], results.sd[:, place] = _of_contrasts(
            without, self._contrasts, mean, halves
        )


def _of_contrasts(
    solved: Solved, contrasts: Array, mean: Array, halves: Array
) -> tuple[Array, Array]:
    """Return mean and standard deviation of contrasts of the effects, shape (B, m)."""
    full = solved.kernel.problem.fixed_mean[:, None] + mean
    sd = np.sqrt(np.sum(halves**2, axis=0)).reshape(contrasts.shape[:2])
    return np.einsum("bmq,qb->bm", contrasts, full), sd
