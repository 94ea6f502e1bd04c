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
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from thermcmp.inference.arviz_adapter import smoothed_weights
from thermcmp.inference.health import pareto_limit
from thermcmp.inference.kernel import Kernel
from thermcmp.inference.regulated import fall_per_rpm, regulated_rows
from thermcmp.inference.regulated_draws import fitted_problem
from thermcmp.inference.residuals import (
    airflow_factor,
    completed_rise,
    design_matrices,
    parameter_points,
    row_variance,
)
from thermcmp.inference.threads import one_blas_thread
from thermcmp.model.design import EXPONENT
from thermcmp.model.priors import LOG_SQRT_2PI, Array

if TYPE_CHECKING:
    from thermcmp.inference.posterior import Fit

#: Posterior draws used by default.
THINNED: Final = 400

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

    def draw(self, group: int, count: int, rng: np.random.Generator) -> Array:
        """Draws of the contrasts without one group, shape (count, m) [K]."""
        picked = rng.choice(len(self.weights), count, p=self.weights[:, group])
        noise = rng.standard_normal((count, self.mean.shape[2]))
        return np.asarray(self.mean[picked, group] + self.sd[picked, group] * noise)

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
    chosen = fit.thinned(draws)
    points, rows = parameter_points(fit, chosen), _Rows(fit, chosen)
    kernel = Kernel(rows.problem)
    effects, rng = fit.effects, np.random.default_rng(seed)
    blocks = [_Blocks(codes[rows.owner], fit.design.at_limit[rows.owner]) for codes in groupings]
    for block in blocks:
        block.leave_uncounted(rows.count)
    with one_blas_thread():
        for place, i in enumerate(chosen):
            w, v = rows.weights(place), rows.variance[place]
            mean, cov = kernel.effect_moments(points.part(slice(place, place + 1)))
            y = rows.readings(w @ effects[i], v, rng)
            if fit.design.at_limit.any():
                mean = mean + cov @ (w.T @ ((y - rows.problem.y) / v))
            c = np.zeros((0, w.shape[1])) if contrasts is None else contrasts
            c = c(float(points.exponent[place, 0])) if callable(c) else c
            state = _State(w, v, y, rows.log_factor[place], mean, cov, c)
            for block in blocks:
                block.add(state)
    return [block.finish() for block in blocks]


class _Rows:
    """The rows of a fit's Gaussian problem at some draws: its readings, then the stand-ins.

    A regulated row has a stand-in for its Jacobian, which is left out with it; what the
    Jacobian owes to the exponent alone is a factor of the row's density.
    """

    def __init__(self, fit: Fit, chosen: NDArray[np.intp]) -> None:
        self._fit, design = fit, fit.design
        self.problem = fitted_problem(fit)
        self.count = len(design.rise_k)
        fan, power = regulated_rows(design)
        self.owner = np.concatenate([np.arange(self.count), fan, power])
        sides = design_matrices(design, problem=self.problem)
        self._still, self._flow = (side.toarray() for side in sides)
        exponent = fit.draws(EXPONENT)[chosen]
        further = np.full((len(fan) + len(power), len(chosen)), 1.0)
        self._h = np.hstack([airflow_factor(design, exponent), further.T])
        if len(power):
            self._h[:, len(self.owner) - len(power) :] = self._h[:, power]
        known = np.broadcast_to(self.problem.known_variance[self.count :], further.T.shape)
        self.variance = np.hstack([row_variance(fit, chosen), known])
        self.log_factor = np.zeros(self._h.shape)
        self.log_factor[:, fan] = np.log(np.abs(fall_per_rpm(design, exponent[:, None])))

    def weights(self, place: int) -> Array:
        """Coefficients of the effects in each row at one draw."""
        return np.asarray(self._still + self._h[place][:, None] * self._flow)

    def readings(self, mean: Array, variance: Array, rng: np.random.Generator) -> Array:
        """What was read, one at the limit completed, and what the stand-ins read."""
        n = self.count
        own = completed_rise(self._fit, mean[None, :n], variance[None, :n], rng)[0]
        return np.concatenate([own, self.problem.y[n:]])


class _State:
    """Everything at one draw that the groups share."""

    def __init__(
        self, w: Array, v: Array, y: Array, log_factor: Array, mean: Array, cov: Array, c: Array
    ) -> None:
        self.v, self.w, self.wc, self.log_factor = v, w, w @ cov, log_factor
        self.rest = y - w @ mean
        self.reach = self.wc @ c.T
        self.mean = c @ mean
        self.sd = np.sqrt(np.maximum(np.einsum("mi,ij,mj->m", c, cov, c, optimize=True), 0.0))


class _Blocks:
    """Groups of rows, padded to equal size, and what was found for them so far."""

    def __init__(self, codes: NDArray[np.intp], at_limit: NDArray[np.bool_]) -> None:
        size = np.bincount(codes)
        self.rows = np.zeros((len(size), size.max()), np.intp)
        self.real = np.arange(size.max()) < size[:, None]
        self.rows[self.real] = np.argsort(codes, kind="stable")
        self.counted = self.real
        self.limited = np.bincount(codes, at_limit) > 0
        self.found: list[tuple[Array, ...]] = []

    def leave_uncounted(self, first: int) -> None:
        """Rows from this one on are left out with their group, and are no readings of it."""
        self.counted = self.real & (self.rows < first)

    def add(self, state: _State) -> None:
        """Leave out each group at one draw."""
        rows, real, counted = self.rows, self.real, self.counted
        each = real[:, :, None]
        v = np.where(real, state.v[rows], 1.0)
        d = -(state.wc[rows] * each) @ (state.w[rows] * each).transpose(0, 2, 1)
        at = np.arange(rows.shape[1])
        d[:, at, at] += v
        e = np.where(real, state.rest[rows], 0.0)
        reach = state.reach[rows] * each
        low = np.linalg.cholesky(d)
        half = np.linalg.solve(low, np.concatenate([e[:, :, None], reach], axis=2))
        size = real.sum(axis=1)
        # V D⁻¹ e, and the standard deviation of its mean.
        back = np.linalg.solve(d, np.stack([e, np.where(counted, v, 0.0)], axis=2))
        readings = counted.sum(axis=1)
        rest = np.sum(np.where(counted, v * back[:, :, 0], 0.0), axis=1) / readings
        rest_sd = np.sqrt(np.sum(np.where(counted, v * back[:, :, 1], 0.0), axis=1)) / readings
        log_d = 2.0 * np.sum(np.log(np.diagonal(low, axis1=1, axis2=2)), axis=1)
        log_v = np.sum(np.where(real, np.log(v), 0.0), axis=1)
        score = (
            -0.5 * np.sum(half[:, :, 0] ** 2, axis=1) + 0.5 * log_d - log_v - size * LOG_SQRT_2PI
        )
        score += np.sum(np.where(real, state.log_factor[rows], 0.0), axis=1)
        mean = state.mean - np.einsum("ga,gam->gm", half[:, :, 0], half[:, :, 1:])
        sd = np.sqrt(state.sd**2 + np.sum(half[:, :, 1:] ** 2, axis=1))
        self.found.append((score, rest, rest_sd, mean, sd, state.mean, state.sd))

    def finish(self) -> Deletions:
        """Weigh the draws of each group."""
        stacked: list[Any] = [np.stack(part) for part in zip(*self.found, strict=True)]
        score, rest, rest_sd, mean, sd, whole_mean, whole_sd = stacked
        weighed = [smoothed_weights(-column) for column in score.T]
        k = np.where(self.limited, np.nan, [k for _, k in weighed])
        weights = np.stack([weights for weights, _ in weighed], axis=1)
        return Deletions(rest, rest_sd, mean, sd, weights, k, whole_mean, whole_sd)
