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
    from thermcmp.inference.checks.leave_out_loops import Found
    from thermcmp.inference.posterior import Fit


class DeletionRows:
    """The rows of a fit's Gaussian problem at some draws: its readings, then the stand-ins.

    A regulated row has a stand-in for its Jacobian, which is left out with it; what the
    Jacobian owes to the exponent alone is a factor of the row's density. Rows set aside are
    left out with their group too, and are no readings that it is judged by.
    """

    def __init__(
        self,
        fit: Fit,
        chosen: IntArray,
        seed: int,
        aside: BoolArray | None = None,
    ) -> None:
        self._fit, self._chosen, design = fit, chosen, fit.design
        self.problem = fitted_problem(fit)
        count = len(design.rise_k)
        self._fan, power = regulated_rows(design)
        self.owner = np.concatenate([np.arange(count), self._fan, power])
        self.stands_in = np.arange(len(self.owner)) >= count
        self.counted = ~self.stands_in
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
                np.concatenate([one for one in weights if one is not None]),
                mixed_scale(fit, chosen),
                beside_scale(fit),
                fit.draws(DEGREES)[chosen],
                square,
                mixed,
                self.counted[:count],
                seed,
            )

    def readings(self, part: slice) -> Readings:
        """What was read, one at the limit completed, and what the stand-ins read."""
        weights = None if self.mixture is None else self.mixture.weights[part]
        own = row_variance(self._fit, self._chosen[part], weights).T
        beside = self.problem.known_variance[self.stands_in, None].repeat(own.shape[1], axis=1)
        y = self.problem.y[:, None]
        if self._completed is not None:
            y = y.repeat(own.shape[1], axis=1)
            y[~self.stands_in] = self._completed[part].T
        return Readings(y, np.vstack([own, beside]))

    def log_factor(self, part: slice) -> Array:
        """Log of what each row's density has as a factor, shape (B, n)."""
        exponent = self._fit.draws(EXPONENT)[self._chosen[part]]
        out = np.zeros((len(exponent), len(self.owner)))
        out[:, self._fan] = np.log(np.abs(fall_per_rpm(self._fit.design, exponent[:, None])))
        return out


class DeletionSolution:
    """Everything at some draws that the groups share.

    Parameters
    ----------
    solved : Solved
        The system with all rows, solved at B draws.
    rows : DeletionRows
        The rows.
    part : slice
        The draws.
    contrasts : ndarray, shape (B, m, q)
        Contrasts of the effects.

    Attributes
    ----------
    mean, sd : ndarray, shape (B, m)
        Contrasts with all rows [K].
    """

    def __init__(self, solved: Solved, rows: DeletionRows, part: slice, contrasts: Array) -> None:
        self._solved, self._rows = solved, rows
        self._contrasts, self._log_factor = contrasts, rows.log_factor(part)
        b, m, q = contrasts.shape
        mean, halves = solved.mean(), solved.halves(contrasts)
        self.mean, self.sd = _of_contrasts(solved, contrasts, mean, halves)
        self._left = np.ascontiguousarray(solved.residuals(mean).T)
        reach = solved.covariances(halves).reshape(q, b, m).transpose(1, 0, 2)
        self._reach = np.ascontiguousarray(reach)
        self._inverse: Array | None = None

    def leave_out(self, groups: Grouped) -> Found:
        """What is found without each group, shape (B, G, …)."""
        from thermcmp.inference.checks.leave_out_loops import Found

        b, m = self.mean.shape
        numbers, moved = np.empty((3, b, groups.count)), np.empty((2, b, groups.count, m))
        found = Found(*numbers, *moved)
        if len(groups.small.place):
            self._leave_small(groups, found)
        for code, place in groups.large:
            self._leave_large(groups.codes != code, place, found)
        return found

    def _leave_small(self, groups: Grouped, found: Found) -> None:
        from thermcmp.inference.checks.leave_out_loops import Found, State, leave_out

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
                left=self._left[place],
                lam=lam[place],
                inverse=self._inverse[place],
                reach=self._reach[place],
                mean=self.mean[place],
                variance=self.sd[place] ** 2,
            )
            leave_out(groups.small, state, Found(*(side[place] for side in found)))

    def _leave_large(self, kept: BoolArray, place: int, found: Found) -> None:
        """Solve the system without the group's rows."""
        solved, kernel = self._solved, self._solved.kernel
        less = Solved(kernel, solved.points, replace(solved.readings, counted=kept))
        found.score[:, place] = solved.log_likelihood - less.log_likelihood
        found.score[:, place] += np.sum(self._log_factor[:, ~kept], axis=1)
        mean, own = less.mean(), (self._rows.counted & ~kept).astype(float)
        own /= np.sum(own)
        found.rest[:, place] = own @ less.residuals(mean)
        same = np.ones((1, len(solved.points)))
        average = kernel.rows.score(own[:, None], less.h, same)
        half = less.factor.forward(less.lam * average, np.arange(len(solved.points)))
        found.rest_sd[:, place] = np.sqrt(np.sum(half**2, axis=0) + own**2 @ less.v)
        halves = less.halves(self._contrasts)
        found.mean[:, place], found.sd[:, place] = _of_contrasts(
            less, self._contrasts, mean, halves
        )


def _of_contrasts(
    solved: Solved, contrasts: Array, mean: Array, halves: Array
) -> tuple[Array, Array]:
    """Mean and standard deviation of contrasts of the effects, shape (B, m)."""
    full = solved.kernel.problem.fixed_mean[:, None] + mean
    sd = np.sqrt(np.sum(halves**2, axis=0)).reshape(contrasts.shape[:2])
    return np.einsum("bmq,qb->bm", contrasts, full), sd
