"""The inner loop of leaving out small groups of rows, compiled on first use.

For a group of rows a with the effects E that they touch, C the covariance of E given all
rows, D = V - W C Wᵀ = L Lᵀ and what the rows read beyond the fit e, it needs only

    s = L⁻¹e,   t = L⁻¹(V 1),   U = L⁻¹W

from which everything about the group follows by products; the formulas are in
`thermcmp.inference.checks.leave_out`.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from thermcmp._types import Array, BoolArray, IntArray
from thermcmp.inference.conditional.compiled_loops import compiled
from thermcmp.model.priors import LOG_SQRT_2PI

#: Least part of a pivot that counts as one; what is below is rounding.
TINY: Final = 1e-15


class Groups(NamedTuple):
    """Groups of rows, G of them, and the effects that each touches.

    Attributes
    ----------
    place : ndarray of int, shape (G,)
        Number of each group.
    row_start, row : ndarray of int, shape (G + 1,), (N,)
        Rows of each group, one after the other.
    effect_start, effect : ndarray of int
        Effects of each group.
    pair_start, pair : ndarray of int
        Where the inverse holds each pair (i, j <= i) of a group's effects.
    local : ndarray of int, shape (N, a)
        Place among its group's effects of each column that a row touches.
    """

    place: IntArray
    row_start: IntArray
    row: IntArray
    effect_start: IntArray
    effect: IntArray
    pair_start: IntArray
    pair: IntArray
    local: IntArray


class State(NamedTuple):
    """The rows of a problem, and what is known of them at one draw.

    Attributes
    ----------
    values : ndarray, shape (n, a)
        Coefficients.
    flow : ndarray of bool, shape (a,)
        Which of them are multiplied by the airflow term.
    counted : ndarray of bool, shape (n,)
        Rows that are readings of their group; the others are left out with it.
    log_factor : ndarray, shape (n,)
        Log of what each row's density has as a factor.
    h, v, left : ndarray, shape (n,)
        Airflow term, variance, and what was read beyond the fit.
    lam : ndarray, shape (q,)
        Scales of the effects.
    inverse : ndarray, shape (slots,)
        Entries of the inverse, effects in units of their scales.
    reach : ndarray, shape (q, m)
        Covariance of the effects with the contrasts.
    mean, variance : ndarray, shape (m,)
        Contrasts with all rows.
    """

    values: Array
    flow: BoolArray
    counted: BoolArray
    log_factor: Array
    h: Array
    v: Array
    left: Array
    lam: Array
    inverse: Array
    reach: Array
    mean: Array
    variance: Array


class Found(NamedTuple):
    """What is found at one draw; attributes as in `Deletions`.

    Attributes
    ----------
    score : ndarray, shape (G,)
        Log density of each group given the others.
    rest, rest_sd : ndarray, shape (G,)
        What was read less what the others say, and its standard deviation.
    mean, sd : ndarray, shape (G, m)
        Contrasts without each group.
    """

    score: Array
    rest: Array
    rest_sd: Array
    mean: Array
    sd: Array


class _Room(NamedTuple):
    """Room for the largest group: S rows, A effects, m contrasts.

    Attributes
    ----------
    w, wc : ndarray, shape (S, A)
        W, in the end U; and W C.
    d : ndarray, shape (S, S)
        D, then L in its lower half.
    s, t : ndarray, shape (S,)
        As above.
    c : ndarray, shape (A, A)
        C, then UᵀU.
    mean, variance : ndarray, shape (m,)
        Contrasts without the group.
    """

    w: Array
    wc: Array
    d: Array
    s: Array
    t: Array
    c: Array
    mean: Array
    variance: Array


@compiled
def leave_out(groups: Groups, state: State, found: Found) -> None:
    """Leave out each group at one draw, filling in `found` at the groups' places."""
    most = np.max(np.diff(groups.row_start))
    widest = np.max(np.diff(groups.effect_start))
    m = state.reach.shape[1]
    room = _Room(
        np.zeros((most, widest)),
        np.zeros((most, widest)),
        np.zeros((most, most)),
        np.zeros(most),
        np.zeros(most),
        np.zeros((widest, widest)),
        np.zeros(m),
        np.zeros(m),
    )
    for g in range(len(groups.place)):
        size = groups.row_start[g + 1] - groups.row_start[g]
        width = groups.effect_start[g + 1] - groups.effect_start[g]
        _look_up(groups, state, g, room.c)
        _write_down(groups, state, g, room)
        if m == 0:
            width = 0
        _solve(size, width, room)
        score, readings, rest, square = -size * LOG_SQRT_2PI, 0, 0.0, 0.0
        for i in range(size):
            row = groups.row[groups.row_start[g] + i]
            score += state.log_factor[row] - np.log(state.v[row])
            score += np.log(room.d[i, i]) - 0.5 * room.s[i] ** 2
            rest += room.t[i] * room.s[i]
            square += room.t[i] ** 2
            readings += state.counted[row]
        at = groups.place[g]
        found.score[at] = score
        found.rest[at], found.rest_sd[at] = rest / readings, np.sqrt(square) / readings
        if m > 0:
            own = groups.effect[groups.effect_start[g] : groups.effect_start[g + 1]]
            _move(own, state, size, room)
            for e in range(m):
                found.mean[at, e] = room.mean[e]
                found.sd[at, e] = np.sqrt(max(room.variance[e], 0.0))


@compiled
def _look_up(groups: Groups, state: State, g: int, c: Array) -> None:
    """Covariance of the group's effects."""
    first, pair = groups.effect_start[g], groups.pair_start[g]
    for i in range(groups.effect_start[g + 1] - first):
        for j in range(i + 1):
            both = state.lam[groups.effect[first + i]] * state.lam[groups.effect[first + j]]
            c[i, j] = c[j, i] = both * state.inverse[groups.pair[pair]]
            pair += 1


@compiled
def _write_down(groups: Groups, state: State, g: int, room: _Room) -> None:
    """W, D and the right-hand sides of a group."""
    first, size = groups.row_start[g], groups.row_start[g + 1] - groups.row_start[g]
    width = groups.effect_start[g + 1] - groups.effect_start[g]
    for i in range(size):
        row = groups.row[first + i]
        room.s[i], room.t[i] = state.left[row], state.v[row] if state.counted[row] else 0.0
        room.w[i, :width] = 0.0
        for p in range(len(state.flow)):
            factor = state.h[row] if state.flow[p] else 1.0
            room.w[i, groups.local[first + i, p]] += factor * state.values[row, p]
        for j in range(width):
            total = 0.0
            for p in range(width):
                total += room.w[i, p] * room.c[p, j]
            room.wc[i, j] = total
        for j in range(i + 1):
            total = 0.0
            for p in range(width):
                total -= room.wc[i, p] * room.w[j, p]
            room.d[i, j] = total
        # Positive but for rounding, far below any real loss.
        room.d[i, i] = max(room.d[i, i] + state.v[row], TINY * state.v[row])


@compiled
def _solve(size: int, width: int, room: _Room) -> None:
    """Factorise D and solve with it row by row; U replaces the first `width` columns of W."""
    d, s, t, w = room.d, room.s, room.t, room.w
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
def _move(own: IntArray, state: State, size: int, room: _Room) -> None:
    """Contrasts without the group: mean less R Uᵀs, variance and R UᵀU Rᵀ."""
    m = len(room.mean)
    room.mean[:], room.variance[:] = state.mean, state.variance
    for i in range(len(own)):
        change = 0.0
        for p in range(size):
            change += room.w[p, i] * room.s[p]
        for e in range(m):
            room.mean[e] -= change * state.reach[own[i], e]
        for j in range(i + 1):
            total = 0.0
            for p in range(size):
                total += room.w[p, i] * room.w[p, j]
            if i != j:
                total *= 2.0
            for e in range(m):
                room.variance[e] += total * state.reach[own[i], e] * state.reach[own[j], e]
