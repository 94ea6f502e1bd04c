"""Rows of equal design collapsed to weighted sums.

Rows that touch the same effects form a cell; a few weighted sums over its rows are sufficient
for the effects, so the algebra works on cells:

    (WᵀDW)_jk = sum over cells of  sum_i w_i x_ij x_ik f_ij f_ik,     f_ij = 1 or h_i

x are the coefficients, h the airflow term. Places with the same column of coefficients are of
one kind and share their sums.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from thermcmp._types import Array, BoolArray, IntArray
from thermcmp.inference.conditional.problem import GaussianProblem


class Collapsed:
    """The rows of a problem as C cells."""

    def __init__(self, problem: GaussianProblem) -> None:
        import pandas as pd

        # The cell of each row.
        cell = np.zeros(len(problem.columns), np.intp)
        for place in problem.columns.T:
            cell = pd.factorize(cell * problem.effect_count + place)[0].astype(np.intp)
        #: Effects that each cell touches, shape (C, a).
        self.cells = problem.columns[~pd.Series(cell).duplicated().to_numpy()]
        values, power, place_kind = _kinds(problem)
        # Every ordered pair of a cell's places whose first effect is not before the second.
        c, a = self.cells.shape
        left, right = (side.ravel() for side in np.indices((a, a)))
        owner, pair = np.nonzero(self.cells[:, left] >= self.cells[:, right])
        left, right = left[pair].astype(np.intp), right[pair].astype(np.intp)
        key = self.cells[owner, left].astype(np.int64) * problem.effect_count
        key += self.cells[owner, right]
        keys, entry = np.unique(key, return_inverse=True)
        #: Entries of WᵀDW that some row touches, rows >= columns, shape (E,).
        self.rows = (keys // problem.effect_count).astype(np.intp)
        self.columns = (keys % problem.effect_count).astype(np.intp)
        k, m = np.triu_indices(len(power))
        pair_of = np.zeros((len(power), len(power)), np.intp)
        pair_of[k, m] = pair_of[m, k] = np.arange(len(k))
        kind_pair = pair_of[place_kind[left], place_kind[right]]
        self._gram = [
            _Sums.build(
                cell,
                values[k] * values[m],
                power[k] + power[m] == p,
                _Terms(owner, kind_pair, entry.ravel(), len(keys)),
            )
            for p in range(3)
        ]
        singles = _Terms(
            np.repeat(np.arange(c), a),
            np.tile(place_kind, c),
            self.cells.ravel(),
            problem.effect_count,
        )
        self._score = [_Sums.build(cell, values, power == p, singles) for p in range(2)]
        self.count = len(problem.y)
        self._unweighted = self._gram[0].apply(np.ones((self.count, 1)))

    def gram(self, weight: Array, h: Array | None) -> Array:
        """Return the entries of WᵀDW, shape (E, B), for each column of `weight`.

        Without an airflow term a weight shared by all rows may have shape (1, B).
        """
        if len(weight) < self.count and h is None:
            return self._unweighted * weight
        return _total(self._gram, weight, h)

    def gram_slope(self, weight: Array, h: Array, dh: Array) -> Array:
        """Return the derivative of `gram` along a change `dh` of the airflow term, shape (E, B)."""
        moved = weight * dh
        return self._gram[1].apply(moved) + self._gram[2].apply(2.0 * h * moved)

    def score(self, x: Array, h: Array | None, weight: Array) -> Array:
        """Return WᵀDx for each column of `x` and of `weight`, which is as in `gram`."""
        if len(weight) < self.count and h is None:
            return self._score[0].apply(x) * weight
        return _total(self._score, x * weight, h)

    def fitted(self, b: Array, h: Array | None) -> Array:
        """Return W b for each column of `b`, shape (n, B)."""
        still = self._score[0].transposed(b)
        return still if h is None else still + h * self._score[1].transposed(b)

    def moved(self, b: Array, dh: Array) -> Array:
        """Return the change of W b when the airflow term changes by `dh`, shape (n, B)."""
        return dh * self._score[1].transposed(b)


@dataclass(frozen=True, slots=True, eq=False)
class _Terms:
    """Terms of a sum: the cell of each, the kind of its sum, and its target."""

    cell: IntArray
    kind: IntArray
    target: IntArray
    size: int  #: number of targets


@dataclass(frozen=True, slots=True, eq=False)
class _Sums:
    """Sums over the rows of each cell, and the targets to which each is added."""

    over_rows: Any  # sparse, (sums, n)
    into: Any  # sparse, (targets, sums)
    to_rows: Any  # the two transposed
    out_of: Any

    @classmethod
    def build(cls, cell: IntArray, values: Array, used: BoolArray, terms: _Terms) -> _Sums:
        """Return the sums of the kinds `used`, with row values of shape (kinds, n)."""
        from scipy.sparse import csr_array

        count, n = int(cell.max()) + 1, len(cell)
        number = np.cumsum(used) - 1
        sums = int(used.sum()) * count
        rows = np.concatenate(
            [number[k] * count + cell for k in np.flatnonzero(used)] or [cell[:0]]
        )
        over_rows = csr_array(
            (values[used].ravel(), (rows, np.tile(np.arange(n), int(used.sum())))), shape=(sums, n)
        )
        is_used = used[terms.kind]
        source = number[terms.kind[is_used]] * count + terms.cell[is_used]
        into = csr_array(
            (np.ones(len(source)), (terms.target[is_used], source)), shape=(terms.size, sums)
        )
        return cls(over_rows, into, over_rows.T.tocsr(), into.T.tocsr())

    def apply(self, weight: Array) -> Array:
        """Return the targets for each column of `weight`, shape (targets, B)."""
        return np.asarray(self.into @ (self.over_rows @ weight))

    def transposed(self, x: Array) -> Array:
        """Apply the transposed map, from (targets, B) to (n, B)."""
        return np.asarray(self.to_rows @ (self.out_of @ x))


def _kinds(problem: GaussianProblem) -> tuple[Array, IntArray, IntArray]:
    """Return each kind's coefficients (kinds, n) and power of h, and the kind of each place."""
    values, powers, place_kind = [], [], []
    number: dict[tuple[bytes, bool], int] = {}
    for column, flow in zip(problem.values.T, problem.flow, strict=True):
        key = (column.tobytes(), bool(flow))
        if key not in number:
            number[key] = len(number)
            values.append(column)
            powers.append(int(flow))
        place_kind.append(number[key])
    return np.stack(values), np.array(powers), np.array(place_kind, np.intp)


def _total(sums: Sequence[_Sums], weight: Array, h: Array | None) -> Array:
    """Return the total of sums weighted by `weight` times h to the power of their position."""
    total = sums[0].apply(weight)
    if h is None:
        return total
    for higher in sums[1:]:
        weight = weight * h
        total += higher.apply(weight)
    return total
