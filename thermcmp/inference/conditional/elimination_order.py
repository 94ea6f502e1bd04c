"""Elimination order of the effects, and layout of the factor.

The system M of the effects is sparse: two effects are adjacent only if a row touches both.
Effects of low degree are eliminated first, in rounds of independent sets (minimum degree);
those that remain after fill-in, and the fixed effects, form a dense tail. The response is the
last node, so that factorising also solves.

Reference: T. A. Davis, Direct Methods for Sparse Linear Systems (SIAM 2006), ch. 4 and 7.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from thermcmp._types import BoolArray, IntArray

#: Among more than SMALL nodes one is eliminated only if adjacent to at most this share of them:
#: blocked dense algebra is some ten times cheaper per number once few zeros are left.
THIN: Final = 0.15
SMALL: Final = 150
#: Nodes of one round have at most this many times the smallest degree.
SLACK: Final = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class Elimination:
    """Order of elimination and layout of the factor, with J sparse columns and T tail nodes."""

    node: IntArray  #: nodes of the sparse columns in order, shape (J,)
    start: IntArray  #: first slot of each column, its diagonal; entries below follow, (J + 1,)
    row: IntArray  #: node of each slot's row, those of the tail last in each column
    cut: IntArray  #: first slot of each column whose row is in the tail, shape (J,)
    at: IntArray  #: position of each slot's row in the tail; negative outside it
    by_row: IntArray  #: slots whose row is in the tail, row by row, shape (M,)
    low: IntArray  #: cut of the column of each of these, shape (M,)
    #: Slot of the product of each pair of entries (i, j <= i) of each column in order, j before
    #: the cut, shape (P,). Pairs from the cut on fall into the tail.
    target: IntArray
    response: IntArray  #: slot of the response's row in each column, shape (J,)
    #: Nodes of the dense tail in order, the response last, shape (T,). Its T x T numbers are
    #: row by row in the slots from ``start[-1]`` on.
    tail: IntArray
    entry: IntArray  #: slot of each requested entry, shape (E,)

    @property
    def slots(self) -> int:
        """Number of slots."""
        return int(self.start[-1]) + len(self.tail) ** 2


def eliminate(count: int, rows: IntArray, columns: IntArray, last: IntArray) -> Elimination:
    """Return an order and layout for entries `rows`, `columns` (E,) among `count` nodes."""
    node, size, below, tail = _order(count, rows, columns, last)
    place = np.empty(count, np.intp)
    place[np.concatenate([node, tail])] = np.arange(count)
    start = np.concatenate([[0], np.cumsum(size + 1)]).astype(np.intp)
    row = np.empty(start[-1], np.intp)
    diagonal = np.zeros(start[-1], bool)
    diagonal[start[:-1]] = True
    # By place within each column.
    below = below[np.lexsort([place[below], np.repeat(np.arange(len(size)), size)])]
    row[diagonal], row[~diagonal] = node, below
    t, at = len(tail), place[row] - len(node)
    column = np.repeat(np.arange(len(node)), size + 1)
    cut = start[1:] - np.bincount(column[at >= 0], minlength=len(node))
    by_row = np.argsort(at, kind="stable")[np.sum(at < 0) :]
    i, j = np.tril_indices(t)
    keys = np.concatenate([place[row] * count + column, place[tail[i]] * count + place[tail[j]]])
    slots = np.concatenate([np.arange(start[-1]), start[-1] + i * t + j])
    sorting = np.argsort(keys)
    keys, slots = keys[sorting], slots[sorting]

    def slot(a: IntArray, b: IntArray) -> IntArray:
        """Return the slots of the entries between nodes a and b, in either order."""
        first, second = place[a], place[b]
        key = np.maximum(first, second) * count + np.minimum(first, second)
        return np.asarray(slots[np.searchsorted(keys, key)])

    # The pairs of slots (i, j <= i) below each column's diagonal, j before the cut.
    every = np.arange(start[-1])
    pairs = np.minimum(every + 1, cut[column]) - (start[column] + 1)
    pairs[start[:-1]] = 0
    first = np.repeat(every, pairs)
    within = np.arange(len(first)) - np.repeat(np.cumsum(pairs) - pairs, pairs)
    second = start[column[first]] + 1 + within
    target, response = slot(row[first], row[second]), np.flatnonzero(row == tail[-1])
    return Elimination(
        node,
        start,
        row,
        cut,
        at,
        by_row,
        cut[column[by_row]],
        target,
        response,
        tail,
        slot(rows, columns),
    )


def _order(
    count: int, rows: IntArray, columns: IntArray, last: IntArray
) -> tuple[IntArray, IntArray, IntArray, IntArray]:
    """Return nodes in order, number of entries below each, their rows, and the tail."""
    from scipy.sparse import csr_array

    # The diagonal is always present.
    i, j, diagonal = rows[rows != columns], columns[rows != columns], np.arange(count)
    graph = csr_array(
        (
            np.ones(2 * len(i) + count, np.int32),
            (np.concatenate([i, j, diagonal]), np.concatenate([j, i, diagonal])),
        ),
        shape=(count, count),
    )
    graph.data[:] = 1
    free = np.ones(count, bool)
    free[last] = False
    alive = np.arange(count)
    nodes, sizes, below = [alive[:0]], [alive[:0]], [alive[:0]]
    while True:
        picked = _independent(graph, free[alive])
        if len(picked) == 0:
            break
        rest = np.setdiff1d(np.arange(len(alive)), picked)
        across = graph[picked][:, rest]
        nodes.append(alive[picked])
        sizes.append(np.diff(across.indptr))
        below.append(alive[rest[across.indices]])
        # The neighbours of an eliminated node become adjacent.
        graph = graph[rest][:, rest] + across.T @ across
        graph.data[:] = 1
        alive = alive[rest]
    tail = np.concatenate([np.setdiff1d(alive, last), last])
    return np.concatenate(nodes), np.concatenate(sizes), np.concatenate(below), tail


def _independent(graph: Any, free: BoolArray) -> IntArray:
    """Return nodes of about the smallest degree, no two of them adjacent."""
    degree = np.diff(graph.indptr)
    thin = free & ((degree <= THIN * len(degree)) | (len(degree) <= SMALL))
    if not thin.any():
        return np.zeros(0, np.intp)
    candidate = thin & (degree <= SLACK * degree[thin].min() + 2)
    # A candidate is taken if it ranks first among itself and its adjacent candidates.
    rank = np.where(candidate, np.argsort(np.argsort(degree, kind="stable")), len(degree))
    least = np.minimum.reduceat(rank[graph.indices], graph.indptr[:-1])
    return np.flatnonzero(candidate & (rank == least)).astype(np.intp)
