"""The inner loop of leaving out small groups of rows, compiled on first use.

For a group of rows that touch the effects E, with C the covariance of E given all rows,
D = V - W C Wᵀ = L Lᵀ and the residuals e, it needs only

    s = L⁻¹e,   t = L⁻¹(V 1),   U = L⁻¹W

All results are products of these; the formulas are in `thermcmp.inference.checks.leave_out`.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from thermcmp._types import Array, BoolArray, IntArray
from thermcmp.inference.conditional.compiled_loops import compiled
from thermcmp.model.priors import LOG_SQRT_2PI

#: Least share of a pivot; anything below is rounding.
TINY: Final = 1e-15


class Groups(NamedTuple):
    """G groups of rows, and the effects that each touches."""

    place: IntArray  #: number of each group, shape (G,)
    row_start: IntArray  #: start of each group's rows in `row`, shape (G + 1,)
    row: IntArray  #: rows of each group in sequence, shape (N,)
    effect_start: IntArray
    effect: IntArray  #: effects of each group in sequence
    pair_start: IntArray
    pair: IntArray  #: slot of the inverse of each pair (i, j <= i) of a group's effects
    local: IntArray  #: position among its group's effects of each column of a row, shape (N, a)


class State(NamedTuple):
    """The n rows of a problem and their solution at one draw."""

    values: Array  #: coefficients, shape (n, a)
    flow: BoolArray  #: which of them are multiplied by the airflow term, shape (a,)
    counted: BoolArray  #: rows by which their group is judged, shape (n,)
    log_factor: Array  #: log of the factor of each row's density, shape (n,)
    h: Array  #: airflow term, shape (n,)
    v: Array  #: variance, shape (n,)
    residual: Array  #: reading minus fit, shape (n,)
    lam: Array  #: scales of the effects, shape (q,)
    inverse: Array  #: entries of the inverse, effects in units of their scales, shape (slots,)
    reach: Array  #: covariance of the effects with the contrasts, shape (q, m)
    mean: Array  #: contrasts with all rows, shape (m,)
    variance: Array  #: shape (m,), or (0,) where spreads without the group are not asked


class GroupResults(NamedTuple):
    """Results of leaving out each of G groups at one draw, as in `Deletions`."""

    score: Array  #: log density of each group given the others, shape (G,)
    rest: Array  #: mean reading minus prediction, shape (G,)
    rest_sd: Array  #: its standard deviation, shape (G,)
    mean: Array  #: contrasts without each group, shape (G, m)
    sd: Array  #: shape (G, m)


class _Work(NamedTuple):
    """Work arrays for the largest group: S rows, A effects, m contrasts."""

    w: Array  #: W, in the end U, shape (S, A)
    wc: Array  #: W C, shape (S, A)
    d: Array  #: D, then L in its lower half, shape (S, S)
    s: Array
    t: Array
    c: Array  #: C, shape (A, A)
    mean: Array  #: contrasts without the group, shape (m,)
    variance: Array


@compiled
def leave_out(groups: Groups, state: State, results: GroupResults) -> None:
    """Leave out each group at one draw, filling in `results` at the groups' places."""
    most = np.max(np.diff(groups.row_start))
    widest = np.max(np.diff(groups.effect_start))
    m = state.reach.shape[1]
    work = _Work(
        np.zeros((most, widest)),
        np.zeros((most, widest)),
        np.zeros((most, most)),
        np.zeros(most),
        np.zeros(most),
        np.zeros((widest, widest)),
        np.zeros(m),
        np.zeros(len(state.variance)),
    )
    for g in range(len(groups.place)):
        size = groups.row_start[g + 1] - groups.row_start[g]
        width = groups.effect_start[g + 1] - groups.effect_start[g]
        _set_covariance(groups, state, g, work.c)
        _set_system(groups, state, g, work)
        if m == 0:
            width = 0
        _solve(size, width, work)
        score, readings, rest, square = -size * LOG_SQRT_2PI, 0, 0.0, 0.0
        for i in range(size):
            row = groups.row[groups.row_start[g] + i]
            score += state.log_factor[row] - np.log(state.v[row])
            score += np.log(work.d[i, i]) - 0.5 * work.s[i] ** 2
            rest += work.t[i] * work.s[i]
            square += work.t[i] ** 2
            readings += state.counted[row]
        at = groups.place[g]
        results.score[at] = score
        results.rest[at], results.rest_sd[at] = rest / readings, np.sqrt(square) / readings
        if m > 0:
            effects = groups.effect[groups.effect_start[g] : groups.effect_start[g + 1]]
            _shift_contrasts(effects, state, size, work)
            for e in range(m):
                results.mean[at, e] = work.mean[e]
            for e in range(len(work.variance)):
                results.sd[at, e] = np.sqrt(max(work.variance[e], 0.0))


@compiled
def _set_covariance(groups: Groups, state: State, g: int, c: Array) -> None:
    """Set C, the covariance of the group's effects."""
    first, pair = groups.effect_start[g], groups.pair_start[g]
    for i in range(groups.effect_start[g + 1] - first):
        for j in range(i + 1):
            both = state.lam[groups.effect[first + i]] * state.lam[groups.effect[first + j]]
            c[i, j] = c[j, i] = both * state.inverse[groups.pair[pair]]
            pair += 1


@compiled
def _set_system(groups: Groups, state: State, g: int, work: _Work) -> None:
    """Set W, D and the right-hand sides of a group."""
    first, size = groups.row_start[g], groups.row_start[g + 1] - groups.row_start[g]
    width = groups.effect_start[g + 1] - groups.effect_start[g]
    for i in range(size):
        row = groups.row[first + i]
        work.s[i], work.t[i] = state.residual[row], state.v[row] if state.counted[row] else 0.0
        work.w[i, :width] = 0.0
        for p in range(len(state.flow)):
            factor = state.h[row] if state.flow[p] else 1.0
            work.w[i, groups.local[first + i, p]] += factor * state.values[row, p]
        for j in range(width):
            total = 0.0
            for p in range(width):
                total += work.w[i, p] * work.c[p, j]
            work.wc[i, j] = total
        for j in range(i + 1):
            total = 0.0
            for p in range(width):
                total -= work.wc[i, p] * work.w[j, p]
            work.d[i, j] = total
        # Positive except for rounding, far below any real loss.
        work.d[i, i] = max(work.d[i, i] + state.v[row], TINY * state.v[row])


@compiled
def _solve(size: int, width: int, work: _Work) -> None:
    """Factorise D and solve with it row by row; U replaces the first `width` columns of W."""
    d, s, t, w = work.d, work.s, work.t, work.w
    for i in range(size):
        for j in range(i):
            total = d[i, j]
            for p in range(j):
                total -= d[i, p] * d[j, p]
            d[i, j] = total / d[j, j]
        least = TINY * d[i, i]
        for p in range(i):
            d[i, i] -= d[i, p] ** 2
            s[i] -= d[i, p] * s[p]
            t[i] -= d[i, p] * t[p]
        d[i, i] = np.sqrt(max(d[i, i], least))
        s[i] /= d[i, i]
        t[i] /= d[i, i]
        for p in range(i):
            for j in range(width):
                w[i, j] -= d[i, p] * w[p, j]
        for j in range(width):
            w[i, j] /= d[i, i]


@compiled
def _shift_contrasts(effects: IntArray, state: State, size: int, work: _Work) -> None:
    """Compute the contrasts without the group: mean minus R Uᵀs, variance plus R UᵀU Rᵀ."""
    m = len(work.mean)
    work.mean[:], work.variance[:] = state.mean, state.variance
    for i in range(len(effects)):
        change = 0.0
        for p in range(size):
            change += work.w[p, i] * work.s[p]
        for e in range(m):
            work.mean[e] -= change * state.reach[effects[i], e]
        if len(work.variance) == 0:
            continue
        for j in range(i + 1):
            total = 0.0
            for p in range(size):
                total += work.w[p, i] * work.w[p, j]
            if i != j:
                total *= 2.0
            for e in range(m):
                work.variance[e] += total * state.reach[effects[i], e] * state.reach[effects[j], e]
