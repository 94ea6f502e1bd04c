"""The inner loops of the sparse factor, compiled on first use.

Each works on many systems of one pattern at once, slots down and systems across, and releases
the interpreter's lock, so that batches run in parallel. Column c has its diagonal in slot
``start[c]`` and its entries below in the slots up to ``start[c + 1]``; ``row`` is the node of
each slot (see `elimination_order`).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numba
import numpy as np

from thermcmp._types import Array, IntArray


def compiled(function: Callable[..., None]) -> Any:
    """Return the compiled loop, cached on disk if a folder is writable."""
    try:
        return numba.njit(cache=True, nogil=True, error_model="numpy")(function)
    except RuntimeError:
        return numba.njit(nogil=True, error_model="numpy")(function)


@compiled
def scale_into(slot: IntArray, i: IntArray, j: IntArray, gram: Array, lam: Array, a: Array) -> None:
    """Set the slots of entries (i, j), scaled by the spreads of their two effects."""
    for e in range(len(slot)):
        for b in range(a.shape[1]):
            a[slot[e], b] = gram[e, b] * lam[i[e], b] * lam[j[e], b]


@compiled
def factorise(start: IntArray, cut: IntArray, target: IntArray, a: Array) -> None:
    """Factorise the systems' sparse columns in place.

    ``target`` lists the slot from which the product of each column's pair of entries
    (i, j <= i) is subtracted, j before the column's ``cut``.
    """
    width = a.shape[1]
    pair = 0
    for c in range(len(start) - 1):
        first, stop = start[c], start[c + 1]
        for b in range(width):
            a[first, b] = np.sqrt(a[first, b])
        for i in range(first + 1, stop):
            for b in range(width):
                a[i, b] /= a[first, b]
        for i in range(first + 1, stop):
            for j in range(first + 1, min(i + 1, cut[c])):
                t = target[pair]
                pair += 1
                for b in range(width):
                    a[t, b] -= a[i, b] * a[j, b]


@compiled
def _subtract_from_single_tail(
    entry: IntArray, low: IntArray, at: IntArray, tail: int, a: Array
) -> None:
    """Subtract for a single large system: each row is summed first, then subtracted once."""
    corner, total, e = len(at), np.zeros(tail), 0
    while e < len(entry):
        row = at[entry[e]]
        total[: row + 1] = 0.0
        while e < len(entry) and at[entry[e]] == row:
            i = entry[e]
            places, values = at[low[e] : i + 1], a[low[e] : i + 1]
            for j in range(len(places)):
                # An unsigned index needs no check for counting from the end.
                total[np.uintp(places[j])] += a[i] * values[j]
            e += 1
        for t in range(row + 1):
            a[corner + row * tail + t] -= total[t]


@compiled
def subtract_from_tail(entry: IntArray, low: IntArray, at: IntArray, tail: int, a: Array) -> None:
    """Subtract the columns' products from the tail, row by row of the tail for the cache.

    ``entry`` lists the columns' entries in the tail's rows, ``low`` the first such entry of
    the column of each, ``at`` every entry's position in the tail.
    """
    width, corner = a.shape[1], len(at)
    if width == 1:
        _subtract_from_single_tail(entry, low, at, tail, a[:, 0])
        return
    for e in range(len(entry)):
        i = entry[e]
        line = corner + at[i] * tail
        for j in range(low[e], i + 1):
            t = line + at[j]
            for b in range(width):
                a[t, b] -= a[i, b] * a[j, b]


@compiled
def factorise_full(systems: Array) -> None:
    """Factorise full systems in place; compiled, since NumPy's version holds the lock."""
    for i in range(len(systems)):
        systems[i] = np.linalg.cholesky(systems[i])


@compiled
def forward(
    start: IntArray, node: IntArray, row: IntArray, a: Array, which: IntArray, x: Array
) -> None:
    """Solve with the factor's sparse columns, in place.

    x has a row per node; ``which`` names the system of each of its columns. Contrasts of products
    leave most nodes, those of assemblies, at zero.
    """
    for c in range(len(start) - 1):
        first = start[c]
        here = node[c]
        if not np.any(x[here]):
            continue
        for b in range(x.shape[1]):
            x[here, b] /= a[first, which[b]]
        for i in range(first + 1, start[c + 1]):
            for b in range(x.shape[1]):
                x[row[i], b] -= a[i, which[b]] * x[here, b]


@compiled
def backward(
    start: IntArray, node: IntArray, row: IntArray, a: Array, which: IntArray, x: Array
) -> None:
    """Solve with the transposed sparse columns, in place; arguments as in `forward`."""
    for c in range(len(start) - 2, -1, -1):
        first = start[c]
        here = node[c]
        for i in range(first + 1, start[c + 1]):
            for b in range(x.shape[1]):
                x[here, b] -= a[i, which[b]] * x[row[i], b]
        for b in range(x.shape[1]):
            x[here, b] /= a[first, which[b]]


@compiled
def _invert_single_tail_part(
    entry: IntArray, low: IntArray, at: IntArray, tail: int, a: Array, z: Array
) -> None:
    """Start the inverse's entries of a single large system."""
    corner = len(at)
    for e in range(len(entry)):
        i, first = entry[e], low[e]
        line = z[corner + at[i] * tail : corner + (at[i] + 1) * tail]
        places, values, sums = at[first:i], a[first:i], z[first:i]
        total = line[at[i]] * a[i]
        for j in range(len(places)):
            number = line[np.uintp(places[j])]
            total += number * values[j]
            sums[j] -= number * a[i]
        z[i] -= total


@compiled
def invert_tail_part(
    entry: IntArray, low: IntArray, at: IntArray, tail: int, a: Array, z: Array
) -> None:
    """Start the inverse's entries from those of the tail; arguments as in `subtract_from_tail`."""
    width, corner = a.shape[1], len(at)
    if width == 1:
        _invert_single_tail_part(entry, low, at, tail, a[:, 0], z[:, 0])
        return
    for e in range(len(entry)):
        i = entry[e]
        line = corner + at[i] * tail
        for j in range(low[e], i):
            t = line + at[j]
            for b in range(width):
                z[i, b] -= z[t, b] * a[j, b]
                z[j, b] -= z[t, b] * a[i, b]
        for b in range(width):
            z[i, b] -= z[line + at[i], b] * a[i, b]


@compiled
def invert(start: IntArray, cut: IntArray, target: IntArray, a: Array, z: Array) -> None:
    """Complete the inverse's entries, last column first, after `invert_tail_part`."""
    width = a.shape[1]
    pair = len(target)
    for c in range(len(start) - 2, -1, -1):
        first, stop = start[c], start[c + 1]
        size = cut[c] - first - 1
        pair -= size * (size + 1) // 2 + size * (stop - cut[c])
        p = pair
        for i in range(first + 1, stop):
            for j in range(first + 1, min(i + 1, cut[c])):
                t = target[p]
                p += 1
                for b in range(width):
                    z[i, b] -= z[t, b] * a[j, b]
                    if i != j:
                        z[j, b] -= z[t, b] * a[i, b]
        for b in range(width):
            z[first, b] = 1.0 / a[first, b]
        for i in range(first + 1, stop):
            for b in range(width):
                z[i, b] /= a[first, b]
                z[first, b] -= a[i, b] * z[i, b]
        for b in range(width):
            z[first, b] /= a[first, b]
